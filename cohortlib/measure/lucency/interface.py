"""The film along an outline of metal, laid straight: one row a place on the outline, one column a distance.

The outline is moved to the edge of the metal as the film shows it, row by row, smoothly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d, median_filter

from cohortlib.image import Radiograph
from cohortlib.measure.edges import profiles
from cohortlib.measure.lucency.exposure import exposure

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: How far inside and outside the metal the film is looked at [mm].
INSIDE_MM, OUTSIDE_MM = 1.8, 7.5
#: Along the interface: directions are smoothed over this, the metal's edge over that (SD) [mm].
_DIRECTION_MM, _EDGE_MM = 1.0, 1.5
#: An edge this far from the smooth course of its neighbours is not the metal's [mm].
_ASTRAY_MM = 0.4


@dataclass(frozen=True, eq=False)
class Strip:
    """Grey values along an outline.

    Attributes
    ----------
    x_mm : (m,)
        Distance outside the edge of the metal.
    grey : (n, m)
        NaN off the film.
    step_mm
        Between rows.
    zones
        Name → (n,): which rows belong to the zone.
    edge_found : (n,)
        Where the edge of the metal is seen.
    """

    x_mm: Array
    grey: Array
    step_mm: float
    zones: Mapping[str, Mask]
    edge_found: Mask


def film_strip(
    radiograph: Radiograph, outline_mm: Array, zones: Mapping[str, Array], reach_mm: float
) -> Strip:
    """The film along an outline, aligned to the edge of the metal.

    Parameters
    ----------
    radiograph
        With a spacing.
    outline_mm : (n, 2)
        In order along the edge.
    zones
        As for `radiolucent_lines`.
    reach_mm
        How far the edge may lie from the outline.
    """
    row_mm, column_mm = radiograph.spacing_mm or (np.nan, np.nan)
    fine = float(np.sqrt(row_mm * column_mm))
    step = float(np.clip(fine, 0.1, 0.15))
    points, members, along = _evenly(outline_mm, zones, max(fine, 0.1))
    tangent = np.gradient(gaussian_filter1d(points, _DIRECTION_MM / along, axis=0, mode="nearest"), axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
    outward = tangent[:, ::-1] * [1.0, -1.0]
    to_px = 1.0 / np.array([column_mm, -row_mm])
    x: Array = np.arange(-reach_mm - 2, reach_mm + 2 + step / 2, step, dtype=np.float64)
    grey = profiles(radiograph.pixels, points * to_px, outward * to_px, x)
    if _mean(grey[:, np.abs(x + 1) < 0.7]) < _mean(grey[:, np.abs(x - 1) < 0.7]):
        outward, grey = -outward, grey[:, ::-1]
    offset, found = _metal_edges(exposure(grey, x)[0], x, along, reach_mm)
    x = np.arange(-round(INSIDE_MM / step), round(OUTSIDE_MM / step) + 1, dtype=np.float64) * step
    grey = profiles(radiograph.pixels, (points + outward * offset[:, None]) * to_px, outward * to_px, x)
    return Strip(x, grey, along, members, found)


def _evenly(outline: Array, zones: Mapping[str, Array], step: float) -> tuple[Array, dict[str, Mask], float]:
    """The outline at even steps, which of its points belong to which zone, and the step."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(outline, axis=0).T))])
    count = max(int(length[-1] / step), 8)
    place = np.linspace(0.0, length[-1], count + 1)
    points = np.column_stack([np.interp(place, length, part) for part in outline.T])
    middle = np.concatenate([length[:1], (length[1:] + length[:-1]) / 2])
    nearest = np.searchsorted(middle, place, side="right") - 1
    members: dict[str, Mask] = {
        name: np.asarray(zone, dtype=bool)[nearest]
        if np.asarray(zone).dtype == bool
        else _within(points, np.asarray(zone, dtype=np.float64))
        for name, zone in zones.items()
    }
    return points, members, float(length[-1] / count)


def _within(points: Array, polygon: Array) -> Mask:
    """Whether points lie in a polygon, by the even-odd rule."""
    first, second = polygon, np.roll(polygon, -1, axis=0)
    x, y = points[:, :1], points[:, 1:]
    spans = (first[:, 1] > y) != (second[:, 1] > y)
    rise = np.where(second[:, 1] == first[:, 1], 1.0, second[:, 1] - first[:, 1])
    crossing = first[:, 0] + (y - first[:, 1]) / rise * (second[:, 0] - first[:, 0])
    return np.asarray((spans & (x < crossing)).sum(axis=1) % 2 == 1)


def _metal_edges(received: Array, x: Array, along: float, reach_mm: float) -> tuple[Array, Mask]:
    """How far outside the outline the edge of the metal lies in each row, and where it is seen."""
    known: Mask = np.asarray(np.isfinite(received).all(axis=1))
    if not known.any():
        return np.zeros(len(received)), known
    filled = np.where(known[:, None], received, np.median(received[known], axis=0))
    step = x[1] - x[0]
    smooth = gaussian_filter(filled, (0.7 / along, 0.2 / step), mode="nearest")
    slope = np.gradient(smooth, step, axis=1)
    inside = np.abs(x) <= reach_mm
    at = np.flatnonzero(inside)[np.argmax(slope[:, inside], axis=1)]
    rows = np.arange(len(received))
    steepest = slope[rows, at]
    low, high = slope[rows, np.maximum(at - 1, 0)], slope[rows, np.minimum(at + 1, len(x) - 1)]
    bend = np.minimum(low - 2 * steepest + high, -1e-12)
    offset = x[at] + np.clip(0.5 * (low - high) / bend, -1, 1) * step
    usual = np.median(steepest[known])
    course = median_filter(offset, max(3, round(8 / along) | 1), mode="nearest")
    found = known & (np.abs(offset - course) < _ASTRAY_MM) & (steepest > 0.25 * usual) & (usual > 0)
    weight = gaussian_filter1d(found.astype(float), _EDGE_MM / along, mode="nearest")
    moved = gaussian_filter1d(np.where(found, offset - course, 0.0), _EDGE_MM / along, mode="nearest")
    course = gaussian_filter1d(course, _EDGE_MM / along, mode="nearest")
    return course + moved / np.maximum(weight, 0.05), found


def _mean(grey: Array) -> float:
    known = grey[np.isfinite(grey)]
    return float(known.mean()) if known.size else 0.0
