"""Shapes found on the film by itself, shown to a reader who asks, and marks once the reader says so."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.image import Radiograph
from cohortlib.measure.proposals import Proposal
from cohortlib.widgets.pad.plan import MarkStep
from cohortlib.widgets.pad.said import Mark
from cohortlib.widgets.pad.sitting import Sitting
from cohortlib.widgets.pad.turning import no_film

#: film → what is proposed on it, such as `component_proposals`.
ProposalsOf = Callable[[Radiograph], Sequence[Proposal]]
#: Stands in the store beside every mark that was taken from a proposal, moved later or not.
TAKEN = "proposal taken by the reader"


class Shown(NamedTuple):
    """A proposal in view: for which step, its outline and the marks it would set [px], and its words."""

    step: MarkStep
    outline_px: NDArray[np.float64]
    marks_px: NDArray[np.float64]
    words: str


class Proposing(Sitting):
    """A sitting at which shapes are proposed on request; nothing is a mark before the reader takes it."""

    def __init__(self, *given: Any, proposals_of: ProposalsOf | None = None, **named: Any) -> None:
        self._proposals_of = proposals_of
        self._found_on: tuple[int, list[Proposal]] = (-1, [])
        self._shown: tuple[int, Shown] | None = None
        Sitting.__init__(self, *given, **named)

    @property
    def proposes(self) -> bool:
        """Whether the landmark that is asked for now can be proposed."""
        return self._proposals_of is not None and isinstance(self._asked_step(), MarkStep)

    @property
    def proposal(self) -> Shown | None:
        """What is proposed for the landmark that is asked for now, once `propose` was called for it."""
        if self._shown is None or self._shown[0] != self.views or self._shown[1].step != self._asked_step():
            return None
        return self._shown[1]

    def propose(self) -> None:
        """Look on the film for the landmark that is asked for, and show what is found; it is no mark yet.

        Raises
        ------
        StudyError
            If nothing is proposed at this sitting, no landmark is asked for, or its shape is not found.
        """
        step = self._asked_step()
        if self.radiograph is None:
            raise no_film()
        if self._proposals_of is None or not isinstance(step, MarkStep):
            raise study_error(
                column="propose",
                found="nothing that could be proposed",
                expected="a landmark that is asked for, and a pad made with proposals_of",
                remedy="Mark by hand",
            )
        if self._found_on[0] != self.views:
            self._found_on = self.views, list(self._proposals_of(self.radiograph))
        own = [one for one in self._found_on[1] if (one.landmark, one.side) == (step.landmark, step.side)]
        if not own or not len(own[0].points_px):
            why = own[0].note if own and own[0].note else "it is not looked for on films"
            raise study_error(
                column="propose",
                found=f"no {step.words} that could be proposed: {why}",
                expected="a shape that is seen clearly",
                remedy="Mark by hand",
            )
        best = own[0]
        words = f"confidence {best.confidence:.2f}" + (f": {best.note}" if best.note else "")
        self._shown = self.views, Shown(step, best.outline_px, spread_marks(best.points_px, step), words)
        self._changed()

    def leave_proposal(self) -> None:
        """Let what is proposed go, without a trace."""
        self._shown = None
        self._changed()

    def take_proposal(self) -> list[int]:
        """Store what is proposed as marks of the reader, as many as are asked for; their numbers.

        Raises
        ------
        StudyError
            If nothing is proposed now, or the landmark has marks already.
        """
        shown = self.proposal
        if shown is None:
            raise study_error(
                column="take_proposal",
                found="nothing proposed for what is asked for",
                expected="a proposal in view",
                remedy="Ask for one with propose()",
            )
        step = shown.step
        if self.sheet.done[step.side, step.landmark]:
            raise study_error(
                column="take_proposal",
                found=f"marks on {step.words} already",
                expected="no mark of it: proposed marks and those of the hand are not mixed",
                remedy="Take the marks back first, or leave the proposal",
            )
        places = [self._on_film(float(x), float(y)) for x, y in shown.marks_px.round(2)]
        numbers = self.sheet.add([Mark(step.landmark, step.side, *at) for at in places], reason=TAKEN)
        self._shown = None
        self._followed((step.side, step.landmark), again=False)
        self._changed()
        return numbers

    def _asked_step(self) -> object:
        asked = self.asked
        return None if asked is None else self.steps[asked]


def spread_marks(points_px: NDArray[np.float64], step: MarkStep) -> NDArray[np.float64]:
    """As many of a shape's points as are asked for, evenly among them, the first one first."""
    count = min(step.asked, len(points_px))
    return points_px[np.floor(np.arange(count) * len(points_px) / count).astype(int)]
