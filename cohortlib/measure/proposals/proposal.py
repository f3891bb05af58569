"""What is proposed to a reader: a shape on the film, and how likely it is to be right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]


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
        x, y of marks on the shape [px]: three quarters of a dozen on the head, both ends of the cup's
        opening and points between, one teardrop, two on an axis, the upper one first.
    outline_px : (n, 2)
        The shape as it is drawn over the film [px].
    confidence
        From 0 to 1; the more, the likelier the shape is right. An order, not a probability.
    note
        What speaks against it; "" if nothing does.
    """

    landmark: str
    side: str
    points_px: Array
    outline_px: Array
    confidence: float
    note: str = ""


def proposed_marks(proposals: list[Proposal]) -> pd.DataFrame:
    """The marks of proposals, for a reader who has confirmed them.

    Parameters
    ----------
    proposals
        Those that the reader confirmed.

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
