"""What is proposed to a reader: a shape on the film, and how likely it is to be right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]
#: The sides of a patient, and where they lie on a film hung the usual way: -1 left of its middle, +1 right.
SIDES = {"right": -1.0, "left": 1.0}
#: Below this confidence a shape is not proposed; chosen on films made for it, none of them reported on.
LEAST_CONFIDENCE = {
    "head_edge": 0.1,
    "cup_rim": 0.05,
    "stem_axis": 0.03,
    "shaft_axis": 0.1,
    "teardrop": 0.3,
}


@dataclass(frozen=True, eq=False)
class Proposal:
    """A shape proposed from the film alone; it is no reading until a reader has confirmed or moved it.

    Attributes
    ----------
    landmark
        "head_edge", "cup_rim", "teardrop", "stem_axis" or "shaft_axis", as readers mark them.
    side
        "left" or "right", of the patient.
    points_px : (n, 2)
        x, y of marks on the shape [px]: nine on the head, twelve about the rim from one end of its opening
        on, one teardrop, two on an axis, the upper one first.
    outline_px : (n, 2)
        The shape as it is drawn over the film [px].
    confidence
        From 0 to 1; the more, the likelier the shape is right. An order, not a probability.
    note
        What speaks against it; "" if nothing does. Of a shape that is not proposed: why.
    """

    landmark: str
    side: str
    points_px: Array
    outline_px: Array
    confidence: float
    note: str = ""

    @property
    def found(self) -> bool:
        """Whether there is a shape at all: one that is looked for and not credible has no points."""
        return len(self.points_px) > 0


def credible(
    landmark: str, side: str, points_px: Array, outline_px: Array, confidence: float, note: str
) -> Proposal:
    """A proposal, without its shape where its confidence is too low for anyone to look at it."""
    if confidence < LEAST_CONFIDENCE[landmark]:
        return not_proposed(landmark, side, note)
    return Proposal(landmark, side, points_px, outline_px, confidence, note)


def not_proposed(landmark: str, side: str, why: str) -> Proposal:
    """The place of a shape that was looked for and is not proposed."""
    nowhere = np.empty((0, 2))
    return Proposal(landmark, side, nowhere, nowhere, 0.0, why)


def proposed_marks(proposals: list[Proposal]) -> pd.DataFrame:
    """The marks of proposals, for a reader who has confirmed them.

    Parameters
    ----------
    proposals
        Those that the reader confirmed; one without a shape gives no mark.

    Returns
    -------
    DataFrame
        One row a mark: landmark, side, x_px, y_px [px], confidence.
    """
    rows = [
        (one.landmark, one.side, float(x), float(y), one.confidence)
        for one in proposals
        for x, y in one.points_px
    ]
    table = pd.DataFrame(rows, columns=["landmark", "side", "x_px", "y_px", "confidence"])
    return table.astype({"x_px": float, "y_px": float, "confidence": float})
