"""The axis of a femoral shaft, midway between its outer cortical edges low on the film."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from cohortlib.measure.edges import falling_edges
from cohortlib.measure.proposals.ball import Window
from cohortlib.measure.proposals.coarse import COARSE_MM, CoarseFilm, exposed
from cohortlib.measure.proposals.line import robust_line

Array = NDArray[np.float64]
#: The part of the exposed field that is looked at, from its lower end [mm].
_BAND_MM = (4.0, 35.0)
#: Widths of a shaft on the film, outer edge to outer edge [mm], and how much it may slope.
_WIDTH_MM = (24.0, 48.0)
_SLOPES = np.arange(-0.28, 0.281, 0.02)
_STEP_MM = 1.5
#: A stem or the canal pairs with the far cortex too: the wider pair is the outer one, by so much a mm.
_PER_MM = 0.012
#: Edges that part by more than this are those of the flare above the shaft: look at its lowest part alone.
_FLARE_DEG, _SHORT_MM = 5.0, 24.0
_REACHES_MM = (3.5, 2.0, 1.5)


class ShaftAxis(NamedTuple):
    """Two ends of the axis, upper one first (2, 2) [mm], and what they rest on.

    `seen` is the share of levels with an edge on both sides, `rival` that of the best other place,
    `lean_deg` the turn against the film's upright, to the midline downwards.
    """

    ends: Array
    rms: float
    seen: float
    rival: float
    parallel_deg: float
    lean_deg: float


def fitted_shaft(film: CoarseFilm, window: Window, columns: tuple[int, int]) -> ShaftAxis | None:
    """The axis of the shaft between two columns of the coarse film; None if no shaft is seen there."""
    shaft = _in_band(film, window, columns, _BAND_MM[1])
    if shaft is not None and shaft.parallel_deg > _FLARE_DEG:
        lowest = _in_band(film, window, columns, _SHORT_MM)
        if lowest is not None and lowest.parallel_deg < shaft.parallel_deg:
            return lowest
    return shaft


def _in_band(
    film: CoarseFilm, window: Window, columns: tuple[int, int], height_mm: float
) -> ShaftAxis | None:
    """The axis by the lowest exposed part of the film."""
    bottom = exposed(film.grey, 0).stop - 1
    low, high = (max(0, bottom - round(part / COARSE_MM)) for part in (_BAND_MM[0], height_mm))
    rows = slice(high, low)
    band = film.grey[rows, columns[0] : columns[1]]
    if band.shape[0] < 12 or band.shape[1] < 45:
        return None
    centre, slope, width, rival = _coarse_shaft(band)
    middle_row = (band.shape[0] - 1) / 2.0
    levels = np.arange(0.0, band.shape[0] - 1 + 1e-9, _STEP_MM / COARSE_MM)
    x = columns[0] + centre + slope * (levels - middle_row)
    middles = film.px(np.column_stack([x, rows.start + levels])) * window.flip
    lateral = 1.0 if columns[0] > film.grey.shape[1] - columns[1] else -1.0
    return _sharpened(window, middles, width * COARSE_MM / 2.0, rival, lateral)


def _coarse_shaft(band: NDArray[np.float32]) -> tuple[float, float, float, float]:
    """Middle, slope and width [coarse pixels] of the best pair of edges, and the share the next best has."""
    steep = gaussian_filter(band, (1.0, 1.0), order=(0, 1))
    most = float(np.quantile(np.abs(steep), 0.9))
    steep = np.clip(steep, -most, most)
    middle_row = (band.shape[0] - 1) / 2.0
    places = np.arange(band.shape[1])
    widths = np.arange(int(_WIDTH_MM[0] / COARSE_MM), int(_WIDTH_MM[1] / COARSE_MM) + 1)
    found = []
    for slope in _SLOPES:
        moved = np.rint(slope * (np.arange(band.shape[0]) - middle_row)).astype(np.intp)
        columns = np.clip(places[None] + moved[:, None], 0, band.shape[1] - 1)
        mean = np.take_along_axis(steep, columns, axis=1).mean(axis=0) / max(most, 1e-9)
        for width in widths:
            rise, fall = mean[:-width], -mean[width:]
            weaker = np.minimum(rise, fall) * (1.0 + _PER_MM * (width * COARSE_MM - _WIDTH_MM[0]))
            for top in np.argsort(-weaker)[:2]:
                found.append((float(weaker[top]), top + width / 2.0, float(slope), float(width)))
    found.sort(reverse=True)
    best = found[0]
    others = [one[0] for one in found if abs(one[1] - best[1]) > 6.0 or abs(one[3] - best[3]) > 5.0]
    return best[1], best[2], best[3], max(others, default=0.0) / max(best[0], 1e-9)


def _sharpened(
    window: Window, middles: Array, half_mm: float, rival: float, lateral: float
) -> ShaftAxis | None:
    """The axis by the edges of the film itself, sought ever nearer; `lateral` is +1 to the right."""
    count = len(middles)
    point, along, _ = robust_line(middles)
    along = along * np.sign(along[1])
    reach = (middles - point) @ along
    normal = np.array([-along[1], along[0]])
    edge_lines = [(point + side * half_mm * normal, along) for side in (1.0, -1.0)]
    for reach_mm in _REACHES_MM:
        found, kept = [], []
        for (start, direction), side in zip(edge_lines, (1.0, -1.0), strict=True):
            points = start + np.outer(reach, direction)
            outward = side * np.array([-direction[1], direction[0]])
            across = outward / window.flip
            length = float(np.linalg.norm(across))
            edges = falling_edges(
                window.pixels,
                points / window.flip,
                np.repeat(across[None] / length, count, axis=0),
                reach_px=reach_mm / window.mm_per_px[0],
                least_drop=window.least_drop,
                smoothing_px=0.9 / window.mm_per_px[0],
            )
            found.append(points + outward * np.where(edges.found, edges.offset_px / length, 0.0)[:, None])
            kept.append(edges.found)
        if min(part.sum() for part in kept) < 8:
            return None
        lines = [robust_line(part[seen]) for part, seen in zip(found, kept, strict=True)]
        edge_lines = [
            (middle + direction * ((point - middle) @ direction), direction)
            for middle, direction in ((one[0], one[1] * np.sign(one[1] @ along)) for one in lines)
        ]
    both = kept[0] & kept[1]
    (left, left_along), (right, right_along) = edge_lines
    direction = left_along + right_along
    middle = 0.5 * (left + right)
    ends = middle + np.outer([reach.min(), reach.max()], direction / np.linalg.norm(direction))
    lean = float(np.degrees(np.arctan2(direction[0] * lateral, direction[1])))
    turned = float(np.degrees(np.arccos(np.clip(left_along @ right_along, -1.0, 1.0))))
    rms = float(np.hypot(lines[0][2], lines[1][2]))
    return ShaftAxis(ends[np.argsort(-ends[:, 1])], rms, float(both.mean()), rival, turned, lean)
