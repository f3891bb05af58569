"""A teardrop as it shows on a film: a trough of two thin walls that part upwards."""

from __future__ import annotations

from functools import cache
from itertools import product

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from skimage.feature import match_template

from cohortlib.measure.proposals.relief import COARSE_DETAIL_MM, Relief, relief

Array = NDArray[np.float64]
_HEIGHT_MM, _WALL_MM = 11.0, 0.7
_BESIDE_MM, _BELOW_MM = 3.5, 5.0
#: Troughs looked for: distance of the walls at the bottom [mm on the film], and how far each leans away from
#: the middle, in parts of its height; few when the whole pelvis is searched, more about one place.
_WIDTHS_MM, _LATERAL_LEAN, _MEDIAL_LEAN = (5.0, 6.0, 7.0), (0.1,), (0.05,)
_FINE_WIDTHS_MM, _FINE_LATERAL, _FINE_MEDIAL = np.arange(5.0, 8.6, 0.5), (0.0, 0.1, 0.2), (-0.05, 0.05, 0.15)
#: How far about a place its trough is sought [mm].
_FINE_REACH_MM = 1.8


@cache
def _drawn(
    width_mm: float, lateral: float, medial: float, sign: float, step: float
) -> tuple[Array, int, int]:
    """A trough as grey values, `sign` +1 of a left hip, with row and column of its lower end.

    A half circle below, two walls that go on from it; the same detail is kept as of the film.
    """
    radius = width_mm / 2.0
    half = radius + _BESIDE_MM
    across = np.arange(-round(half / step), round(half / step) + 1) * step * sign
    up = np.arange(round(_HEIGHT_MM / step), -round(_BELOW_MM / step) - 1, -1)[:, None] * step
    above = np.maximum(up - radius, 0.0)
    low = np.abs(np.hypot(across, up - radius) - radius)
    high = np.minimum(np.abs(across - radius - lateral * above), np.abs(across + radius + medial * above))
    drawn = np.exp(-0.5 * (np.where(up > radius, high, low) / _WALL_MM) ** 2)
    drawn -= gaussian_filter(drawn, COARSE_DETAIL_MM / step)
    return drawn, round(_HEIGHT_MM / step), len(across) // 2


def trough_match(seen: Relief, sign: float) -> Array:
    """Correlation with the best of a few drawn troughs whose lower end lies at each place of the grid."""
    best = np.zeros_like(seen.detail)
    for width, lateral, medial in product(_WIDTHS_MM, _LATERAL_LEAN, _MEDIAL_LEAN):
        drawn, foot, half = _drawn(width, lateral, medial, sign, seen.step_mm)
        if min(np.subtract(seen.detail.shape, drawn.shape)) < 1:
            continue
        score = match_template(seen.detail, drawn)
        own = best[foot : foot + score.shape[0], half : half + score.shape[1]]
        np.maximum(own, score, out=own)
    return best


def sharpened_place(
    pixels: NDArray[np.float32],
    mm_per_px: tuple[float, float],
    place: Array,
    sign: float,
    *,
    angle_deg: float,
    metal: float = float("inf"),
) -> tuple[Array, float]:
    """The lower end [mm] of the trough that fits best near a place, and its correlation."""
    widest = float(_FINE_WIDTHS_MM[-1]) / 2.0 + _BESIDE_MM
    margin = _FINE_REACH_MM + 3.0 * COARSE_DETAIL_MM
    half = np.array([widest + margin, (_HEIGHT_MM + _BELOW_MM) / 2.0 + margin])
    up = np.array([-np.sin(np.radians(angle_deg)), np.cos(np.radians(angle_deg))])
    middle = place + up * (_HEIGHT_MM - _BELOW_MM) / 2.0
    seen = relief(pixels, mm_per_px, middle, half, angle_deg=angle_deg, metal=metal, fine=True)
    at = np.linalg.solve(seen.turn.T, place - seen.corner) / seen.step_mm
    column, row = (int(value) for value in np.rint(at))
    reach = round(_FINE_REACH_MM / seen.step_mm)
    best, most = np.array([column, row], dtype=np.float64), -1.0
    for width, lateral, medial in product(_FINE_WIDTHS_MM.tolist(), _FINE_LATERAL, _FINE_MEDIAL):
        drawn, foot, side = _drawn(width, lateral, medial, sign, seen.step_mm)
        top, left = row - foot - reach, column - side - reach
        part = seen.detail[
            max(top, 0) : top + drawn.shape[0] + 2 * reach, max(left, 0) : left + drawn.shape[1] + 2 * reach
        ]
        score = _correlation(part, drawn)
        r, c = (int(at) for at in np.unravel_index(int(np.argmax(score)), score.shape))
        if score[r, c] > most:
            most = float(score[r, c])
            best = np.array(
                [left + side + c + _shift(score, r, c, 1), top + foot + r + _shift(score, r, c, 0)]
            )
    return seen.places(best[None])[0], most


def _correlation(part: Array, drawn: Array) -> Array:
    windows = sliding_window_view(part, drawn.shape)
    flat = windows.reshape(*windows.shape[:2], -1)
    centred = drawn.ravel() - drawn.mean()
    spread = flat.std(axis=2) * np.sqrt(flat.shape[2]) * np.linalg.norm(centred)
    return np.asarray(flat @ centred / np.maximum(spread, 1e-9), dtype=np.float64)


def _shift(score: Array, row: int, column: int, axis: int) -> float:
    """How far the top of a parabola lies from the highest place, in steps."""
    at = (row, column)[axis]
    if not 0 < at < score.shape[axis] - 1:
        return 0.0
    line = score[row] if axis == 1 else score[:, column]
    before, here, after = line[at - 1 : at + 2]
    return float(np.clip(0.5 * (before - after) / min(before - 2.0 * here + after, -1e-9), -0.5, 0.5))
