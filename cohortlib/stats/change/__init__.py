"""Change since the first examination after the operation: what is compared, what is a change, who differs."""

from cohortlib.stats.change.baseline import change_from_baseline
from cohortlib.stats.change.flags import flagged_hips, significant_changes
from cohortlib.stats.change.peer_list import hips_against_peers
from cohortlib.stats.change.peers import change_against_peers
from cohortlib.stats.change.remodelling import remodelling
from cohortlib.stats.change.sides import operated_less_other
from cohortlib.stats.change.summary import change_means

__all__ = [
    "change_against_peers",
    "change_from_baseline",
    "change_means",
    "flagged_hips",
    "hips_against_peers",
    "operated_less_other",
    "remodelling",
    "significant_changes",
]
