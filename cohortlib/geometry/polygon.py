"""What lies inside a polygon, and a named region of a film as one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Zone:
    """A named region: of which system, its name there, its corners (k, 2) in order, not closed.

    Corners are millimetres on the film: x to the image's right, y up. Measurements, figures and readers all
    use these corners.
    """

    system: str
    name: str
    polygon_mm: Array

    @property
    def middle_mm(self) -> Array:
        """Centre of area (2,)."""
        here = self.polygon_mm - self.polygon_mm.mean(axis=0)
        after = np.roll(here, -1, axis=0)
        cross = here[:, 0] * after[:, 1] - after[:, 0] * here[:, 1]
        if abs(cross.sum()) < 1e-12:
            return self.polygon_mm.mean(axis=0)
        own = ((here + after) * cross[:, None]).sum(axis=0) / (3.0 * cross.sum())
        return self.polygon_mm.mean(axis=0) + own


def inside_polygon(polygon: ArrayLike, points: ArrayLike) -> NDArray[np.bool_]:
    """Which points (n, 2) lie inside a polygon (k, 2), by the even-odd rule.

    Notes
    -----
    A point on an edge that two polygons share is in one of them, not in both: edges are taken half open.
    """
    corners, places = np.asarray(polygon, dtype=float), np.atleast_2d(np.asarray(points, dtype=float))
    inside = np.zeros(len(places), dtype=bool)
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if start[1] == end[1]:
            continue
        low, high = (start, end) if start[1] < end[1] else (end, start)
        level = (places[:, 1] >= low[1]) & (places[:, 1] < high[1])
        at = low[0] + (places[:, 1] - low[1]) * (high[0] - low[0]) / (high[1] - low[1])
        inside ^= level & (places[:, 0] < at)
    return inside


def zone_of(zones: Sequence[Zone], points_mm: ArrayLike) -> NDArray[np.str_]:
    """Name of the zone of each point (n, 2); "" outside all of them, the first where two overlap."""
    places = np.atleast_2d(np.asarray(points_mm, dtype=float))
    names = np.full(len(places), "", dtype="<U16")
    for zone in zones:
        names[(names == "") & inside_polygon(zone.polygon_mm, places)] = zone.name
    return names
