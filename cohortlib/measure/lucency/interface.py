"""The film along an outline of metal, laid straight: one row a place on the outline, one column a distance.

The outline is moved to the edge of the metal as the film shows it, row by row, smoothly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from cohortlib.geometry.polygon import inside_polygon
from cohortlib.image import Radiograph
from cohortlib.measure.edges import profiles
from cohortlib.measure.lucency.exposure import exposure, pixel_noise
from cohortlib.measure.lucency.metal_edge import metal_edges

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: How far inside and outside the metal the film is looked at [mm].
INSIDE_MM, OUTSIDE_MM = 1.8, 7.5
#: Directions are smoothed along the interface over this (SD) [mm].
_DIRECTION_MM = 1.0


@dataclass(frozen=True, eq=False)
class Strip:
    """Grey values along an outline.

    Attributes
    ----------
    x_mm : (m,)
        Distance outside the edge of the metal.
    grey, noise : (n, m)
        Grey values, and how pixels differ from their neighbours; NaN off the film.
    step_mm
        Between rows.
    zones
        Name → (n,): which rows belong to the zone.
    edge_found : (n,)
        Where the edge of the metal is seen.
    """

    x_mm: Array
    grey: Array
    noise: Array
    step_mm: float
    zones: Mapping[str, Mask]
    edge_found: Mask


def film_strip(
    radiograph: Radiograph,
    outline_mm: Array,
    zones: Mapping[str, Array],
    reach_mm: float,
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
    to_px = 1.0 / np.array([column_mm, -row_mm])
    pixels, corner = _about(
        radiograph.pixels,
        points * to_px,
        (reach_mm + OUTSIDE_MM) / min(row_mm, column_mm),
    )
    places, outward = points * to_px - corner, tangent[:, ::-1] * [1.0, -1.0] * to_px
    x: Array = np.arange(-reach_mm - 2, reach_mm + 2 + step / 2, step, dtype=np.float64)
    grey = profiles(pixels, places, outward, x)
    if _mean(grey[:, np.abs(x + 1) < 0.7]) < _mean(grey[:, np.abs(x - 1) < 0.7]):
        outward, grey = -outward, grey[:, ::-1]
    grain = pixel_noise(pixels)
    received = exposure(grey, _nearest(grain, places, outward, x), x, along).received
    offset, found = metal_edges(received, x, along, reach_mm)
    x = np.arange(-round(INSIDE_MM / step), round(OUTSIDE_MM / step) + 1, dtype=np.float64) * step
    places = places + outward * offset[:, None]
    grey, noise = (
        profiles(pixels, places, outward, x),
        _nearest(grain, places, outward, x),
    )
    return Strip(x, grey, noise, along, members, found)


def _about(pixels: NDArray[np.float32], places: Array, room_px: float) -> tuple[NDArray[np.float32], Array]:
    """The part of a film about places (x, y), and the place of its first pixel."""
    rows, columns = pixels.shape
    low = np.clip(np.floor(places.min(axis=0) - room_px), 0, [columns - 3, rows - 3]).astype(int)
    high = np.clip(np.ceil(places.max(axis=0) + room_px) + 1, low + 3, [columns, rows]).astype(int)
    return pixels[low[1] : high[1], low[0] : high[0]], low.astype(np.float64)


def _nearest(values: Array, places: Array, outward: Array, x_mm: Array) -> Array:
    """Values of the nearest pixels on lines across the interface; NaN off the film."""
    at = np.rint(places[:, None, :] + outward[:, None, :] * x_mm[None, :, None]).astype(int)
    inside = ((at >= 0) & (at < values.shape[::-1])).all(axis=-1)
    at = np.clip(at, 0, np.array(values.shape[::-1]) - 1)
    return np.where(inside, values[at[..., 1], at[..., 0]], np.nan)


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
        else inside_polygon(zone, points)
        for name, zone in zones.items()
    }
    return points, members, float(length[-1] / count)


def _mean(grey: Array) -> float:
    known = grey[np.isfinite(grey)]
    return float(known.mean()) if known.size else 0.0
