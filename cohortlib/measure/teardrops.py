"""The inter-teardrop line, sharpened by laying one side of the pelvis over the mirror of the other."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, gaussian_filter, map_coordinates
from scipy.signal import fftconvolve

Array = NDArray[np.float64]
#: Assumed standard deviation of one click, per axis, on the detector (common practice, no source).
CLICK_SD_MM = 1.5
#: What the mirror match leaves: anatomy is not quite symmetric and the beam not quite central.
_MIRROR_SD_MM = 0.5
_STEP_MM = 0.6
#: The part of the pelvis compared, from the teardrop: lateral to medial, below to above.
_MEDIAL_MM = (-8.0, 42.0)
_ABOVE_MM = (-50.0, 25.0)
_SEARCH_MM = 8.0
_TILE_MM = 18.0
_LEAST_CORRELATION = 0.5
#: How much correlation a shift of one expected standard deviation must gain.
_PRIOR_WEIGHT = 0.01


class TeardropLine(NamedTuple):
    """The line's angle to the image rows (anticlockwise), its standard deviation, and how it was found."""

    angle_deg: float
    sd_deg: float
    method: str


def teardrop_line(
    pixels: NDArray[np.float32],
    right_mm: Array,
    left_mm: Array,
    *,
    mm_per_px: tuple[float, float],
    metal: NDArray[np.bool_],
) -> TeardropLine:
    """The inter-teardrop line from a reader's two marks and, where the film allows, from its pixels.

    Parameters
    ----------
    pixels
        White = dense.
    right_mm, left_mm : (2,)
        Marks of the patient's right and left teardrop [mm], x to the image's right, y up.
    mm_per_px
        (x, y) of one pixel [mm].
    metal
        True where an implant hides the bone.

    Notes
    -----
    The level edges about one teardrop are compared, tile by tile, with the mirror of those about the
    other. Each tile may shift sideways as it likes; all share one difference in height, the one with the
    best correlation after an allowance for what two clicks may err. Only this difference turns the line,
    so an error common to both marks drops out. Where the match is poor or beyond what clicks can err, the
    marks decide.
    """
    base = float(np.linalg.norm(left_mm - right_mm))
    clicked = _angle(left_mm - right_mm)
    clicked_sd = float(np.degrees(np.sqrt(2.0) * CLICK_SD_MM / base))
    rows, columns = _around(pixels.shape, right_mm, left_mm, mm_per_px)
    edges = _level_edges(pixels[rows, columns], mm_per_px)
    hidden = binary_dilation(metal[rows, columns], iterations=int(3.0 / mm_per_px[0]))
    corner = np.array([columns.start * mm_per_px[0], -rows.start * mm_per_px[1]])
    right_mm, left_mm = right_mm - corner, left_mm - corner
    height = 0.0
    for _ in range(2):
        along = (left_mm - right_mm) / base
        above = np.array([-along[1], along[0]])
        raised = left_mm + height * above
        # Both ways round, so that a mirrored film gives the mirrored line.
        left_on_right = _height_match(edges, hidden, right_mm, raised, height, mm_per_px)
        right_on_left = _height_match(edges, hidden, raised, right_mm, -height, mm_per_px)
        if left_on_right is None or right_on_left is None:
            return TeardropLine(clicked, clicked_sd, "teardrops as marked")
        height += (left_on_right - right_on_left) / 2.0
    matched = _angle(left_mm + height * above - right_mm)
    if abs(matched - clicked) > 3.5 * clicked_sd:
        return TeardropLine(clicked, clicked_sd, "teardrops as marked")
    return TeardropLine(matched, float(np.degrees(_MIRROR_SD_MM / base)), "teardrops matched by mirror")


def _around(
    shape: tuple[int, ...], right_mm: Array, left_mm: Array, mm_per_px: tuple[float, float]
) -> tuple[slice, slice]:
    """The rows and columns that hold all that is compared."""
    reach = _SEARCH_MM + max(map(abs, (*_MEDIAL_MM, *_ABOVE_MM))) + 5.0
    places = np.array([right_mm, left_mm]) / np.array([mm_per_px[0], -mm_per_px[1]])
    low = np.maximum(places.min(axis=0) - reach / np.array(mm_per_px), 0).astype(int)
    high = np.maximum(places.max(axis=0) + reach / np.array(mm_per_px), low + 8).astype(int)
    return slice(low[1], min(high[1], shape[0])), slice(low[0], min(high[0], shape[1]))


def _level_edges(pixels: NDArray[np.float32], mm_per_px: tuple[float, float]) -> Array:
    """Edges that lie level, with their sign.

    A pelvis turned about its long axis shifts bone sideways by its depth; on a sloping edge that would
    look like a difference in height. Level edges do not mind.
    """
    smooth = 0.9 / mm_per_px[0]
    up = gaussian_filter(pixels, smooth, order=(1, 0), output=np.float64)
    across = gaussian_filter(pixels, smooth, order=(0, 1), output=np.float64)
    return up * (up**2 / (up**2 + across**2 + 1e-9)) ** 3


def _height_match(
    edges: Array,
    hidden: NDArray[np.bool_],
    still_mm: Array,
    moved_mm: Array,
    so_far_mm: float,
    mm_per_px: tuple[float, float],
) -> float | None:
    """How far to raise one place so that it stands as high as the other, still one [mm]; None if unclear."""
    medial = (moved_mm - still_mm) / np.linalg.norm(moved_mm - still_mm)
    above = np.array([-medial[1], medial[0]]) * np.sign(medial[0])
    small, small_seen = _patch(edges, hidden, still_mm, medial, above, 0.0, mm_per_px)
    large, large_seen = _patch(edges, hidden, moved_mm, -medial, above, _SEARCH_MM, mm_per_px)
    tile, reach = round(_TILE_MM / _STEP_MM), round(_SEARCH_MM / _STEP_MM)
    total, weight = np.zeros(2 * reach + 1), 0.0
    for row in range(0, small.shape[0] - tile + 1, tile // 2):
        for column in range(0, small.shape[1] - tile + 1, tile // 2):
            part = np.s_[row : row + tile, column : column + tile]
            wide = np.s_[row : row + tile + 2 * reach, column : column + tile + 2 * reach]
            correlation = _masked_correlation(small[part], small_seen[part], large[wide], large_seen[wide])
            energy = float(np.sqrt((small[part] ** 2).sum()))
            # Each tile may lie at its own depth, and so shift sideways as it likes.
            total += energy * correlation.max(axis=1)
            weight += energy
    if weight == 0:
        return None
    score = total / weight
    heights = (np.arange(2 * reach + 1) - reach) * _STEP_MM
    expected = (heights + so_far_mm) / (np.sqrt(2.0) * CLICK_SD_MM)
    likely = score - _PRIOR_WEIGHT * expected**2
    top = int(np.argmax(likely))
    if score[top] < _LEAST_CORRELATION or not 0 < top < 2 * reach:
        return None
    return float(heights[top] + _STEP_MM * _top(likely[top - 1 : top + 2]))


def _patch(
    relief: Array,
    hidden: NDArray[np.bool_],
    place: Array,
    medial: Array,
    above: Array,
    margin: float,
    mm_per_px: tuple[float, float],
) -> tuple[Array, Array]:
    """Grey values and visibility on a grid of (above, medial) about a place."""
    m = np.arange(_MEDIAL_MM[0] - margin, _MEDIAL_MM[1] + margin + 1e-9, _STEP_MM)
    a = np.arange(_ABOVE_MM[0] - margin, _ABOVE_MM[1] + margin + 1e-9, _STEP_MM)
    places = place + a[:, None, None] * above + m[None, :, None] * medial
    at = [-places[..., 1] / mm_per_px[1], places[..., 0] / mm_per_px[0]]
    grey = map_coordinates(relief, at, order=1, mode="constant", cval=np.nan, output=np.float64)
    covered = map_coordinates(hidden.astype(np.float32), at, order=0, mode="constant", cval=1.0)
    seen = (np.isfinite(grey) & (covered < 0.5)).astype(float)
    return np.where(seen > 0, grey, 0.0), seen


def _masked_correlation(small: Array, small_seen: Array, large: Array, large_seen: Array) -> Array:
    """Correlation of the small patch with every place of the large one, over what both show."""

    def over(first: Array, second: Array) -> Array:
        return fftconvolve(first, second[::-1, ::-1], mode="valid")

    n = np.maximum(over(large_seen, small_seen), 1.0)
    sum_large, sum_small = over(large, small_seen), over(large_seen, small)
    variance_large = over(large**2, small_seen) - sum_large**2 / n
    variance_small = over(large_seen, small**2) - sum_small**2 / n
    product = over(large, small) - sum_large * sum_small / n
    scale = np.sqrt(np.maximum(variance_large, 1e-12) * np.maximum(variance_small, 1e-12))
    enough = n > 0.25 * small.size
    return np.where(enough, product / scale, -1.0)


def _top(three: Array) -> float:
    """Where a parabola through three neighbours peaks, from the middle one."""
    bend = three[0] - 2.0 * three[1] + three[2]
    return float(0.5 * (three[0] - three[2]) / bend) if bend < 0 else 0.0


def _angle(vector: Array) -> float:
    return float(np.degrees(np.arctan2(vector[1], vector[0])))
