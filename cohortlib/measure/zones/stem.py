"""The zones about a stem, and about the short stem of a resurfacing."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.polygon import Zone
from cohortlib.geometry.robust import points_array
from cohortlib.measure.cup.rim import lateral_sign
from cohortlib.tables import ZONE_SYSTEMS

Array = NDArray[np.float64]
#: Last part of the length that is the zone of the tip; the rest of each side is cut evenly (common practice,
#: no source: papers draw this zone by eye).
TIP_SHARE = 1.0 / 8.0
_STEP_MM = 2.0


def femoral_zones(
    axis_mm: ArrayLike,
    *,
    side: str,
    tip_mm: ArrayLike | None = None,
    shoulder_mm: ArrayLike | None = None,
    reach_mm: float = 20.0,
    proximal_mm: float | None = None,
) -> list[Zone]:
    """Seven zones about a stem: 1 to 3 down the lateral side, 4 the tip, 5 to 7 up the medial side.

    Parameters
    ----------
    axis_mm : (n, 2), n >= 2
        The middle line of the stem on the film [mm], from one end to the other: x to the image's right, y
        up. Two points make a straight axis; a curved stem wants more.
    side
        "left" or "right", of the patient.
    tip_mm : (2,) or None
        Where the stem ends; None: at the lower end of `axis_mm`.
    shoulder_mm : (2,) or None
        Level at which the zones begin; None: at the upper end of `axis_mm`.
    reach_mm
        How far the zones reach from the axis to each side and beyond the tip [mm]: more than half the width
        of the stem, less than the radius of its bend.
    proximal_mm
        Length of zones 1 and 7 [mm], the same for stems of different length; None: a third of the side.

    Returns
    -------
    list of Zone
        Of the system "stem_7", "1" first.

    Raises
    ------
    StudyError
        If the axis has fewer than two distinct points, or the stem no length; or if `proximal_mm` leaves
        nothing for the zones below.

    Notes
    -----
    The last eighth of the length is the zone of the tip; what is left of each side is cut into three equal
    parts, across the axis, or into zones 1 and 7 of `proximal_mm` and two equal parts. Zones of stems of
    different length differ in size unless `proximal_mm` is given: compare like with like.

    References
    ----------
    Gruen TA et al., Clin Orthop Relat Res 1979;141:17-27. Length: ten Broeke 2012 (from memory).
    """
    return _zones("stem_7", axis_mm, side, tip_mm, shoulder_mm, reach_mm, proximal_mm)


def resurfacing_zones(
    axis_mm: ArrayLike,
    *,
    side: str,
    tip_mm: ArrayLike | None = None,
    shoulder_mm: ArrayLike | None = None,
    reach_mm: float = 12.0,
) -> list[Zone]:
    """Three zones about the peg of a resurfacing: 1 above it (lateral), 2 its tip, 3 below it (medial).

    Parameters and Raises as for `femoral_zones`; the system is "resurfacing_stem_3".

    Notes
    -----
    Common practice, no source.
    """
    return _zones("resurfacing_stem_3", axis_mm, side, tip_mm, shoulder_mm, reach_mm)


def _zones(
    system: str,
    axis_mm: ArrayLike,
    side: str,
    tip_mm: ArrayLike | None,
    shoulder_mm: ArrayLike | None,
    reach_mm: float,
    proximal_mm: float | None = None,
) -> list[Zone]:
    line = _from_shoulder_to_tip(points_array(axis_mm, least=2, shape="an axis"), tip_mm, shoulder_mm)
    lengths = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    names = ZONE_SYSTEMS[system].names
    count = len(names) // 2
    cuts = _cuts(float(lengths[-1]) * (1.0 - TIP_SHARE), count, proximal_mm)
    sign = lateral_sign(side)
    lateral = [_strip(line, lengths, cuts[k : k + 2], sign, reach_mm) for k in range(count)]
    medial = [_strip(line, lengths, cuts[k : k + 2], -sign, reach_mm) for k in range(count)][::-1]
    place, across = _at(line, lengths, cuts[-1:])
    down = line[-1] - line[-2]
    below = line[-1] + reach_mm * down / np.linalg.norm(down)
    aside = sign * reach_mm * np.array([across[0], -across[0]])
    tip = np.vstack([place + aside[0], below + aside[0], below + aside[1], place + aside[1]])
    polygons = [*lateral, tip, *medial]
    return [Zone(system, name, polygon) for name, polygon in zip(names, polygons, strict=True)]


def _cuts(length: float, count: int, proximal_mm: float | None) -> Array:
    """Where the zones of one side end, counted from the shoulder."""
    if proximal_mm is None:
        return np.linspace(0.0, length, count + 1)
    if not 0 < proximal_mm < length:
        raise study_error(
            column="proximal_mm",
            found=float(proximal_mm),
            expected=f"more than 0 and less than the {length:.0f} mm of a side",
            remedy="Give a length that the shortest stem of the study has room for",
        )
    return np.concatenate([[0.0], np.linspace(proximal_mm, length, count)])


def _from_shoulder_to_tip(axis: Array, tip_mm: ArrayLike | None, shoulder_mm: ArrayLike | None) -> Array:
    """The axis, upper end first, drawn out or cut at the levels of shoulder and tip."""
    line = axis if axis[0, 1] >= axis[-1, 1] else axis[::-1]
    for place, last in ((shoulder_mm, False), (tip_mm, True)):
        if place is None:
            continue
        line = line if last else line[::-1]
        end = line[-1] - line[-2]
        end = end / np.linalg.norm(end)
        level = (np.asarray(place, dtype=float) - line[-1]) @ end
        kept = (line - line[-1]) @ end < level
        line = np.vstack([line[kept], line[-1] + level * end])
        line = line if last else line[::-1]
        if len(line) < 2:
            break
    if len(line) < 2:
        raise study_error(
            column="shoulder_mm, tip_mm",
            found="a tip above the shoulder, or both off the axis",
            expected="a shoulder above a tip, along the axis",
            remedy="Check the marks on shoulder, axis and tip",
        )
    return line


def _strip(line: Array, lengths: Array, cut: Array, sign: float, reach_mm: float) -> Array:
    """The region to one side of the axis between two lengths along it."""
    steps = np.linspace(cut[0], cut[1], max(2, int(np.ceil((cut[1] - cut[0]) / _STEP_MM)) + 1))
    place, across = _at(line, lengths, steps)
    return np.vstack([place, (place + sign * reach_mm * across)[::-1]])


def _at(line: Array, lengths: Array, steps: Array) -> tuple[Array, Array]:
    """Places at lengths along the axis, and unit vectors across it, to the image's right of the way down."""
    place = np.column_stack([np.interp(steps, lengths, line[:, k]) for k in (0, 1)])
    pieces = np.diff(line, axis=0) / np.diff(lengths)[:, None]
    # Directions turn smoothly from the middle of one piece to that of the next.
    middles = (lengths[:-1] + lengths[1:]) / 2.0
    down = np.column_stack([np.interp(steps, middles, pieces[:, k]) for k in (0, 1)])
    down /= np.linalg.norm(down, axis=1, keepdims=True)
    return place, np.column_stack([-down[:, 1], down[:, 0]])
