"""Shapes proposed from the film alone, for a reader to confirm or move."""

from cohortlib.measure.proposals.find import component_proposals
from cohortlib.measure.proposals.proposal import Proposal, proposed_marks

__all__ = ["Proposal", "component_proposals", "proposed_marks"]
