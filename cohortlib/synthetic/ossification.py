"""Bone that grew in the soft tissue beside a hip, between the greater trochanter and the pelvis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cohortlib.synthetic.bone import Bone
from cohortlib.synthetic.missing_bones import ellipsoid

Array = NDArray[np.floating]

#: Of each grade: (from, to) of each piece as parts of the way from trochanter to pelvis, if it were
#: 40 mm; the gap of the spurs is given in millimetres [mm].
_ISLANDS = ((0.30, 0.48), (0.58, 0.72))
_GAP_MM = {2: 12.0, 3: 5.0, 4: -6.0}
_THICKNESS_MM = (5.0, 8.0)


def ossification_bones(grade: int, trochanter_mm: Array, pelvis_mm: Array) -> list[Bone]:
    """Closed bodies between two points in one frame [mm]; none for grade 0.

    Parameters
    ----------
    grade
        1 islands, 2 spurs with a gap of at least 10 mm, 3 spurs with a smaller gap, 4 a bridge.
    trochanter_mm, pelvis_mm : (3,)
        Tip of the greater trochanter, and the edge of the pelvis above the cup.

    References
    ----------
    Brooker AF et al. Ectopic ossification following total hip replacement. J Bone Joint Surg Am
    1973;55:1629-32 (the grades, from memory).
    """
    if not grade:
        return []
    way_mm = float(np.linalg.norm(pelvis_mm - trochanter_mm))
    pieces = _ISLANDS
    if grade in _GAP_MM:
        half = _GAP_MM[grade] / 2 / way_mm
        pieces = ((-0.3, 0.45 - half), (0.45 + half, 1.3))
    return [_piece(trochanter_mm, pelvis_mm, *piece) for piece in pieces]


def _piece(start_mm: Array, end_mm: Array, first: float, last: float) -> Bone:
    """A spindle over a part of the way between two points."""
    way = end_mm - start_mm
    along = way / np.linalg.norm(way)
    aside = np.cross(along, [0.0, 1.0, 0.0])
    aside = aside / np.linalg.norm(aside)
    axes = np.column_stack([aside, np.cross(along, aside), along])
    half_mm = np.array([*_THICKNESS_MM, (last - first) / 2 * np.linalg.norm(way)])
    spindle = ellipsoid(np.zeros(3), half_mm, 0.3)
    middle = start_mm + (first + last) / 2 * way
    return Bone(spindle.vertices_mm @ axes.T + middle, spindle.triangles, spindle.cortex_mm)
