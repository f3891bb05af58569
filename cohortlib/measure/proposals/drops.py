"""The teardrops of a pelvis: two small troughs of cortex, alike and level, one on each side."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates, maximum_filter
from skimage.feature import match_template

from cohortlib.measure.proposals.ball import Window

Array = NDArray[np.float64]
_STEP_MM = 0.6
#: The trough as it is drawn: distance of its two walls [mm on the film], height, thickness of a wall.
_WIDTHS_MM = (5.0, 6.0, 7.0)
_HEIGHT_MM, _WALL_MM = 11.0, 0.7
_BESIDE_MM, _BELOW_MM = 3.5, 5.0
_COARSE_DETAIL_MM = 4.0
#: From the centre of an implanted head, medial and caudal, and how much that varies [mm on the film].
_FROM_HEAD_MM, _FROM_HEAD_SD_MM = np.array([31.0, 25.0]), np.array([5.0, 4.5])
#: From one teardrop to the other [mm on the film], their slope, and how far their middle may lie from
#: that of the film.
_APART_MM, _SLOPE_SD, _MIDDLE_SD_MM = (128.0, 13.0), 0.05, 15.0
_PRIOR_WEIGHT = 0.03
_MOST = 25


class Drop(NamedTuple):
    """One teardrop's lower end (2,) [mm], its match with the drawn trough, and how much less a rival has."""

    place: Array
    match: float
    lead: float


def fitted_drops(window: Window, heads: dict[str, Array]) -> dict[str, Drop]:
    """The pair of teardrops that looks most like one, by side; empty where no two are seen.

    `heads` holds the centres [mm] of implanted heads, by side.
    """
    height, width = window.pixels.shape
    rows = np.arange(0.3 * height, 0.9 * height, _STEP_MM / window.mm_per_px[1])
    columns = np.arange(0.15 * width, 0.85 * width, _STEP_MM / window.mm_per_px[0])
    smooth = gaussian_filter(window.pixels, 0.3 * _STEP_MM / window.mm_per_px[0], truncate=2.0)
    grey = map_coordinates(
        smooth, np.meshgrid(rows, columns, indexing="ij"), order=1, mode="nearest", output=np.float64
    )
    # Fine detail alone, and no more of it than bone has: the edge of metal must not drown all else.
    fine = grey - gaussian_filter(grey, _COARSE_DETAIL_MM / _STEP_MM)
    fine = np.clip(fine, -3.0 * np.median(np.abs(fine)), 3.0 * np.median(np.abs(fine)))
    match = np.max([_matched(fine, drawn) for drawn in _WIDTHS_MM], axis=0)
    tops = np.argwhere((match == maximum_filter(match, 7)) & (match > 0.25))
    tops = tops[((tops > 0) & (tops < np.array(match.shape) - 1)).all(axis=1)]
    at = tops + np.column_stack([_shift(match, tops, axis) for axis in (0, 1)])
    found = np.array([columns[0], rows[0]]) + at[:, ::-1] * _STEP_MM / np.array(window.mm_per_px)
    # The lower end of the wall itself, not of the line along its middle.
    places = found * window.flip - [0.0, _WALL_MM]
    worth = match[tuple(tops.T)]
    middle = 0.5 * width * window.mm_per_px[0]
    sides = {}
    for side, sign in (("right", -1.0), ("left", 1.0)):
        own = worth.copy()
        if side in heads:
            off = (places - heads[side]) * np.array([-sign, -1.0]) - _FROM_HEAD_MM
            own = own - _PRIOR_WEIGHT * ((off / _FROM_HEAD_SD_MM) ** 2).sum(axis=1)
        own[(places[:, 0] - middle) * sign < 0] = -np.inf
        order = np.argsort(-own)[:_MOST]
        sides[side] = (places[order], own[order], worth[order])
    return _best_pair(sides, middle)


def _shift(match: Array, tops: NDArray[np.intp], axis: int) -> Array:
    """How far the top of a parabola lies from each highest place, in steps."""
    step = np.eye(2, dtype=np.intp)[axis]
    before, here, after = (match[tuple((tops + way * step).T)] for way in (-1, 0, 1))
    bend = np.minimum(before - 2.0 * here + after, -1e-9)
    return np.clip(0.5 * (before - after) / bend, -0.5, 0.5)


def _matched(fine: Array, width_mm: float) -> Array:
    """Correlation with a drawn trough whose lower end lies at each place."""
    across = np.arange(-width_mm / 2.0 - _BESIDE_MM, width_mm / 2.0 + _BESIDE_MM + 1e-9, _STEP_MM)
    up = np.arange(_HEIGHT_MM, -_BELOW_MM - 1e-9, -_STEP_MM)[:, None]
    radius = width_mm / 2.0
    # Distance to the wall: a half circle below, two upright lines above its centre.
    below = np.abs(np.hypot(across, up - radius) - radius)
    wall = np.where(up > radius, np.abs(np.abs(across) - radius), below)
    drawn = np.exp(-0.5 * (wall / _WALL_MM) ** 2)
    result = np.zeros_like(fine)
    score = match_template(fine, drawn)
    foot = round(_HEIGHT_MM / _STEP_MM)
    half = len(across) // 2
    result[foot : foot + score.shape[0], half : half + score.shape[1]] = score
    return result


def _best_pair(sides: dict[str, tuple[Array, Array, Array]], middle: float) -> dict[str, Drop]:
    (right, right_worth, right_match), (left, left_worth, left_match) = sides["right"], sides["left"]
    if not len(right) or not len(left):
        return {}
    apart = left[None] - right[:, None]
    distance, slope = apart[..., 0], apart[..., 1] / np.maximum(apart[..., 0], 1.0)
    centre = 0.5 * (left[None, :, 0] + right[:, None, 0]) - middle
    off = ((distance - _APART_MM[0]) / _APART_MM[1]) ** 2 + (slope / _SLOPE_SD) ** 2
    worth = right_worth[:, None] + left_worth[None] - _PRIOR_WEIGHT * (off + (centre / _MIDDLE_SD_MM) ** 2)
    if not np.isfinite(worth).any():
        return {}
    r, k = np.unravel_index(int(np.argmax(worth)), worth.shape)
    best = float(worth[r, k])
    far_right = np.linalg.norm(right - right[r], axis=1) > 2.0
    far_left = np.linalg.norm(left - left[k], axis=1) > 2.0
    rivals = {
        "right": float(worth[far_right].max(initial=-1.0)),
        "left": float(worth[:, far_left].max(initial=-1.0)),
    }
    return {
        "right": Drop(right[r], float(right_match[r]), best - rivals["right"]),
        "left": Drop(left[k], float(left_match[k]), best - rivals["left"]),
    }
