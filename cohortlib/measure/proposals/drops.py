"""The teardrops of a pelvis: two small troughs of cortex, alike and level with it, one on each side."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from cohortlib.geometry.circle import Circle
from cohortlib.measure.proposals.ball import Window
from cohortlib.measure.proposals.trough import Relief, relief, sharpened_place, trough_match
from cohortlib.measure.teardrops import teardrop_line

Array = NDArray[np.float64]
_SIDES = {"right": -1.0, "left": 1.0}
#: The lower end is that of the wall itself, not of the line along its middle [mm].
_HALF_WALL_MM = 0.6
#: From the centre of an implanted head, medial and caudal, and how much that varies [mm on the film].
_FROM_HEAD_MM, _FROM_HEAD_SD_MM = np.array([31.0, 25.0]), np.array([5.0, 4.5])
#: From one teardrop to the other [mm on the film], and how far their middle may lie from that of the film.
_APART_MM, _MIDDLE_SD_MM = (128.0, 13.0), 15.0
#: Their slope, before the two sides of the pelvis were laid over each other and after it.
_SLOPE_SD, _LEVEL_SD = 0.05, 0.012
_PRIOR_WEIGHT = 0.03
_MOST, _LEAST_MATCH = 25, 0.25
#: Pairs that are tried, and how far apart two are another answer [mm].
_MOST_PAIRS, _ALIKE_MM = 4, 2.0
#: What an implant hides reaches this far about its dome.
_HIDDEN = 1.1


class Drop(NamedTuple):
    """One teardrop's lower end (2,) [mm], its match with the drawn trough, and how much less a rival has.

    `level` is whether the pelvis itself, one side laid over the other, says how high the two stand, and
    `off_level_mm` how far they are from standing so.
    """

    place: Array
    match: float
    lead: float
    level: bool
    off_level_mm: float


class _Pair(NamedTuple):
    places: dict[str, Array]
    lead: dict[str, float]


def fitted_drops(window: Window, domes: dict[str, Circle]) -> dict[str, Drop]:
    """The pair of teardrops that looks most like one, by side; empty where no two are seen.

    `domes` holds the outlines of implanted cups [mm], by side.
    """
    angle_deg, level = 0.0, False
    hidden = _hidden(window, domes)
    # The pelvis about two wrong places is no mirror image of itself: then others are tried.
    for first in _likely_pairs(window, domes, 0.0, _SLOPE_SD):
        right, left = first.places["right"], first.places["left"]
        line = teardrop_line(window.pixels, right, left, mm_per_px=window.mm_per_px, metal=hidden)
        if line.method != "teardrops as marked":
            angle_deg, level = line.angle_deg, True
            break
    pairs = _likely_pairs(window, domes, angle_deg, _LEVEL_SD if level else _SLOPE_SD)
    if not pairs:
        return {}
    pair = pairs[0]
    turn = np.radians(angle_deg)
    down = np.array([np.sin(turn), -np.cos(turn)])
    sharp = {
        side: sharpened_place(window.pixels, window.mm_per_px, pair.places[side], sign, angle_deg)
        for side, sign in _SIDES.items()
    }
    off_level = abs(float((sharp["left"][0] - sharp["right"][0]) @ down))
    return {
        side: Drop(place + _HALF_WALL_MM * down, match, pair.lead[side], level, off_level)
        for side, (place, match) in sharp.items()
    }


def _hidden(window: Window, domes: dict[str, Circle]) -> NDArray[np.bool_]:
    """Where implants hide the bone."""
    height, width = window.pixels.shape
    hidden = np.zeros((height, width), dtype=np.bool_)
    rows, columns = np.ogrid[:height, :width]
    for dome in domes.values():
        x, y = dome.centre / window.flip
        away = np.hypot((columns - x) * window.mm_per_px[0], (rows - y) * window.mm_per_px[1])
        hidden |= away < _HIDDEN * dome.radius
    return hidden


def _likely_pairs(window: Window, domes: dict[str, Circle], angle_deg: float, slope_sd: float) -> list[_Pair]:
    """A few pairs unlike each other, the likeliest first, of a pelvis turned by an angle.

    How well the angle is known is the sd of the pair's slope.
    """
    size = np.array(window.pixels.shape[::-1]) * window.mm_per_px
    middle = size[0] / 2.0
    found = {}
    for side, sign in _SIDES.items():
        # The part of the film in which a teardrop of this side may lie.
        centre = np.array([middle + sign * 0.18 * size[0], -0.6 * size[1]])
        half = np.array([0.18, 0.3]) * size
        seen = relief(window.pixels, window.mm_per_px, centre, half, angle_deg=angle_deg)
        found[side] = _candidates(seen, sign, domes.get(side))
    (right, right_worth), (left, left_worth) = found["right"], found["left"]
    if not len(right) or not len(left):
        return []
    apart = left[None] - right[:, None]
    distance, slope = apart[..., 0], apart[..., 1] / np.maximum(apart[..., 0], 1.0)
    off = ((distance - _APART_MM[0]) / _APART_MM[1]) ** 2
    off += np.minimum(((slope - np.tan(np.radians(angle_deg))) / slope_sd) ** 2, 25.0)
    off += ((0.5 * (left[None, :, 0] + right[:, None, 0]) - middle) / _MIDDLE_SD_MM) ** 2
    worth = right_worth[:, None] + left_worth[None] - _PRIOR_WEIGHT * off
    pairs: list[_Pair] = []
    for at in np.argsort(-worth, axis=None):
        r, k = np.unravel_index(int(at), worth.shape)
        ends = np.stack([right[r], left[k]])
        if any(_moved_mm(ends, one) < _ALIKE_MM for one in pairs):
            continue
        pairs.append(_Pair({"right": right[r], "left": left[k]}, _lead(right, left, worth, r, k)))
        if len(pairs) == _MOST_PAIRS:
            break
    return pairs


def _moved_mm(ends: Array, pair: _Pair) -> float:
    """How far two places lie from those of a pair, the one that lies further."""
    return float(np.linalg.norm(ends - [pair.places["right"], pair.places["left"]], axis=1).max())


def _lead(right: Array, left: Array, worth: Array, r: np.intp, k: np.intp) -> dict[str, float]:
    """How much more a pair is worth than any that has one of its places elsewhere."""
    far_right = np.linalg.norm(right - right[r], axis=1) > _ALIKE_MM
    far_left = np.linalg.norm(left - left[k], axis=1) > _ALIKE_MM
    return {
        "right": float(worth[r, k] - worth[far_right].max(initial=-1.0)),
        "left": float(worth[r, k] - worth[:, far_left].max(initial=-1.0)),
    }


def _candidates(seen: Relief, sign: float, dome: Circle | None) -> tuple[Array, Array]:
    """The places of one side that look most like a teardrop (n, 2) [mm], and how much."""
    match = trough_match(seen, sign)
    tops = np.argwhere((match == maximum_filter(match, 7)) & (match > _LEAST_MATCH))
    places = seen.places(tops[:, ::-1].astype(np.float64))
    worth = match[tuple(tops.T)]
    if dome is not None:
        off = ((places - dome.centre) * np.array([-sign, -1.0]) - _FROM_HEAD_MM) / _FROM_HEAD_SD_MM
        worth = worth - _PRIOR_WEIGHT * (off**2).sum(axis=1)
    order = np.argsort(-worth)[:_MOST]
    return places[order], worth[order]
