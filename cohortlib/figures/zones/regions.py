"""Where the zones lie in the project's drawing of a hip, and where their numbers are written."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from cohortlib.figures.zones.drawing import (
    CUP,
    INCLINATION_DEG,
    SHAFT_HALF,
    SHAFT_X,
    SHOULDER_Y,
    TIP_Y,
    Array,
)


class Region(NamedTuple):
    """One zone of a right hip: polygon [mm], the bone it is cut out of, a point in it, where words go.

    `words` is the height of the words [mm]; `beside` says at which side: −1 lateral, 1 medial.
    """

    polygon: Array
    bone: str
    anchor: tuple[float, float]
    words: float
    beside: int


#: Depth of the bone round the cup that counts as its zones [mm].
_DEPTH = 12.0
_OUT = 60.0
_SHOULDER = SHOULDER_Y - 2
#: The neck below a resurfacing component: from where to where along its axis, from the head's centre [mm].
_NECK_FROM, _NECK_TO = 24.0, 45.0
_NECK_HALF, _NECK_ANGLE_DEG = 21.0, 50.0


def regions(zone_system: str) -> dict[str, Region]:
    """Zone to region of one of the zone systems of the tables; {} if the drawing does not have it."""
    if zone_system == "cup_3":
        return _cup()
    if zone_system == "stem_7":
        return _stem()
    return _neck(zone_system)


def _cup() -> dict[str, Region]:
    ends = np.linspace(180 - INCLINATION_DEG, -INCLINATION_DEG, 4)
    found = {}
    words = {"1": (46.0, -1), "2": (50.0, 1), "3": (10.0, 1)}
    for zone, start, end in zip("123", ends[:-1], ends[1:], strict=True):
        angles = np.radians(np.linspace(start, end, 30))
        ring = np.column_stack([np.cos(angles), np.sin(angles)])
        middle = ring[15] * (CUP + _DEPTH / 2)
        polygon = np.vstack([CUP * ring, (CUP + _DEPTH) * ring[::-1]])
        found[zone] = Region(polygon, "pelvis", (float(middle[0]), float(middle[1])), *words[zone])
    return found


def _stem() -> dict[str, Region]:
    thirds = np.linspace(SHOULDER_Y, TIP_Y, 4)
    top, below = 20.0, TIP_Y - 20
    lateral, medial = SHAFT_X - _OUT, SHAFT_X + _OUT
    heights = [(top, thirds[1]), (thirds[1], thirds[2]), (thirds[2], thirds[3])]
    at = [(SHOULDER_Y - 10, -20.0), (-61.0, -61.0), (-90.0, -90.0)]
    found = {}
    for zone, (high, low), (y, words) in zip("123", heights, at, strict=True):
        polygon = _box(lateral, SHAFT_X, low, high)
        if zone == "1":  # above the shoulder of the stem it reaches to the cut through the neck
            beside = [(SHAFT_X, low), (SHAFT_X, _SHOULDER), (medial, _SHOULDER), (medial, high)]
            polygon = np.array([(lateral, low), *beside, (lateral, high)])
        found[zone] = Region(polygon, "femur", (SHAFT_X - SHAFT_HALF + 1.5, y), words, -1)
    found["4"] = Region(
        _box(lateral, medial, below, thirds[3]), "femur", (SHAFT_X, TIP_Y - 11), TIP_Y - 22, -1
    )
    at_medial = {"7": (SHAFT_X + 19.0, -42.0, -42.0), "6": (SHAFT_X + 14.5, -66.0, -68.0)}
    at_medial["5"] = (SHAFT_X + 13.0, -90.0, -94.0)
    for zone, (high, low) in zip("765", heights, strict=True):
        x, y, words = at_medial[zone]
        found[zone] = Region(_box(SHAFT_X, medial, low, min(high, _SHOULDER)), "femur", (x, y), words, 1)
    return found


def _neck(zone_system: str) -> dict[str, Region]:
    rows = {"neck_1": 1, "neck_2": 1, "neck_6": 3}.get(zone_system, 0)
    angle = np.radians(_NECK_ANGLE_DEG)
    along, across = np.array([-np.sin(angle), -np.cos(angle)]), np.array([-np.cos(angle), np.sin(angle)])
    found: dict[str, Region] = {}
    if rows == 0:
        return found
    if zone_system == "neck_1":
        sides = [(-_NECK_HALF, _NECK_HALF, 0.0, -1)]
    else:
        sides = [(0.0, _NECK_HALF, 9.0, -1), (-_NECK_HALF, 0.0, -9.0, 1)]
    levels = np.linspace(_NECK_FROM, _NECK_TO, rows + 1)
    for inner, outer, anchor, beside in sides:
        for row, (start, end) in enumerate(pairwise(levels)):
            corners = [(start, inner), (end, inner), (end, outer), (start, outer)]
            polygon = np.array([a * along + b * across for a, b in corners])
            x, y = (start + end) / 2 * along + anchor * across
            words = (8.0 - 20 * row) if beside < 0 else (-44.0 - 20 * row)
            found[str(len(found) + 1)] = Region(polygon, "femur", (float(x), float(y)), words, beside)
    return found


def _box(left: float, right: float, low: float, high: float) -> Array:
    return np.array([(left, low), (right, low), (right, high), (left, high)])
