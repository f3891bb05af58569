"""What `radiolucent_lines` is given, checked: an outline, and zones as polygons or choices of its points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import StudyError, problem
from cohortlib.geometry.polygon import Zone

Array = NDArray[np.float64]

_SHORTEST_MM = 5.0


def outline_and_zones(
    outline_mm: ArrayLike, zones: Sequence[Zone] | Mapping[str, ArrayLike]
) -> tuple[Array, dict[str, Array]]:
    """The outline, and name → polygon or choice of points."""
    outline = np.asarray(outline_mm, dtype=float)
    problems = []
    good = outline.ndim == 2 and outline.shape[1] == 2 and len(outline) >= 8 and np.isfinite(outline).all()
    if not good or np.hypot(*np.ptp(outline, axis=0)) < _SHORTEST_MM:
        problems.append(
            problem(
                column="outline_mm",
                found=f"an array of shape {outline.shape}" if not good else "points in one place",
                expected="at least eight finite points (x, y) in order along the edge, over 5 mm or more",
                remedy="Give the outline of the fitted component in millimetres of the film",
            )
        )
    named = zones if isinstance(zones, Mapping) else {zone.name: zone.polygon_mm for zone in zones}
    members = {str(name): np.asarray(zone) for name, zone in named.items()}
    wrong = {
        name: zone.shape
        for name, zone in members.items()
        if not (
            (zone.dtype == bool and zone.shape == outline.shape[:1])
            or (
                zone.dtype.kind in "fiu" and zone.ndim == 2 and zone.shape[1] == 2 and np.isfinite(zone).all()
            )
        )
    }
    if wrong or not members:
        problems.append(
            problem(
                column="zones",
                found=f"zone {next(iter(wrong))} of shape {next(iter(wrong.values()))}"
                if wrong
                else "no zone",
                count=max(len(wrong), 1),
                expected="for each zone a polygon (k, 2), or true or false for each point of the outline",
                remedy="Give the zones of the component, such as those of measure.zones",
            )
        )
    if problems:
        raise StudyError(problems)
    return outline, members
