"""Which landmarks of femur, stem and pelvis the simulated readers mark beside those of the cup, and when."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

#: Marked on the side of an implant, as far as they can be seen; each point once, without habit.
FURTHER = (
    "stem_axis",
    "stem_tip",
    "stem_shoulder",
    "shaft_axis",
    "lesser_trochanter",
    "greater_trochanter_tip",
    "neck_edge",
    "symphysis_top",
    "sacrococcygeal_joint",
)
#: Marked once on a film, with a side only because every mark has one; and on both sides of every pelvis.
OF_THE_MIDDLE, OF_BOTH_SIDES = ("symphysis_top", "sacrococcygeal_joint"), ("lesser_trochanter",)
#: From the start of one reading to its last further mark: the next reading may start two minutes later [s].
LATEST_S = 122


def further_points(points: pd.DataFrame) -> pd.DataFrame:
    """The visible points of `FURTHER` on one film, of the sides with an implant and `OF_BOTH_SIDES`.

    Parameters
    ----------
    points
        landmark, side, x_px, y_px, visible.

    Returns
    -------
    DataFrame
        landmark, side, x_px, y_px, outward_x, outward_y (0: a single point has no outside).
    """
    implanted = points.loc[points["landmark"].eq("stem_axis"), "side"].unique()
    there = points["side"].isin(implanted) | points["landmark"].isin(OF_BOTH_SIDES)
    found = points[points["landmark"].isin(FURTHER) & there & points["visible"].astype(bool)]
    again = found["landmark"].isin(OF_THE_MIDDLE) & found.duplicated(["landmark"])
    columns = ["landmark", "side", "x_px", "y_px"]
    return found.loc[~again, columns].assign(outward_x=0.0, outward_y=0.0)


def further_times_s(count: int, last_s: int, stream: np.random.Generator) -> NDArray[np.int64]:
    """Seconds from the start of a reading to each further mark, after the last of the others.

    The reading of the next film must not begin before: a reader in a hurry marks several in a second.
    """
    later = last_s + np.cumsum(stream.integers(1, 3, count))
    return np.minimum(later, max(last_s, LATEST_S))
