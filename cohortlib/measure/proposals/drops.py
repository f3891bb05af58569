"""The teardrops of a pelvis: two small troughs of cortex, alike and level with it, one on each side."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.geometry.circle import Circle
from cohortlib.measure.proposals.ball import Window
from cohortlib.measure.proposals.drop_pairs import likely_pairs, metal_of
from cohortlib.measure.proposals.proposal import SIDES
from cohortlib.measure.proposals.trough import sharpened_place
from cohortlib.measure.teardrops import teardrop_line

Array = NDArray[np.float64]
#: The lower end is that of the wall itself, not of the line along its middle [mm].
_HALF_WALL_MM = 0.6
#: Their slope, before the two sides of the pelvis were laid over each other and after it.
_SLOPE_SD, _LEVEL_SD = 0.05, 0.012
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


def fitted_drops(window: Window, domes: dict[str, Circle]) -> dict[str, Drop]:
    """The pair of teardrops that looks most like one, by side; empty where no two are seen.

    `domes` holds the outlines of implanted cups [mm], by side.
    """
    angle_deg, level = 0.0, False
    hidden = _hidden(window, domes)
    metal = {side: metal_of(window, dome) for side, dome in domes.items()}
    # The pelvis about two wrong places is no mirror image of itself: then others are tried.
    for first in likely_pairs(window, metal, 0.0, _SLOPE_SD):
        right, left = first.places["right"], first.places["left"]
        line = teardrop_line(window.pixels, right, left, mm_per_px=window.mm_per_px, metal=hidden)
        if line.method != "teardrops as marked":
            angle_deg, level = line.angle_deg, True
            break
    pairs = likely_pairs(window, metal, angle_deg, _LEVEL_SD if level else _SLOPE_SD)
    if not pairs:
        return {}
    pair = pairs[0]
    turn = np.radians(angle_deg)
    down = np.array([np.sin(turn), -np.cos(turn)])
    sharp = {
        side: sharpened_place(
            window.pixels,
            window.mm_per_px,
            pair.places[side],
            sign,
            angle_deg=angle_deg,
            metal=metal[side].grey if side in metal else float("inf"),
        )
        for side, sign in SIDES.items()
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
