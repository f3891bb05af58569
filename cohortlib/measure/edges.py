"""Edges of dense things, to a fraction of a pixel, along lines across a predicted outline."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates

Array = NDArray[np.float64]


class Edges(NamedTuple):
    """One edge a line: how far outwards from the prediction, how strong, whether there is one."""

    offset_px: Array
    drop: Array
    found: NDArray[np.bool_]


def profiles(pixels: NDArray[np.float32], points_px: Array, outward: Array, offsets_px: Array) -> Array:
    """Grey values (n, m) along lines through points (n, 2) in unit directions (n, 2); NaN off the image."""
    places = points_px[:, None, :] + outward[:, None, :] * offsets_px[None, :, None]
    at = [places[..., 1], places[..., 0]]
    grey: Array = map_coordinates(pixels, at, order=1, mode="constant", cval=np.nan, output=np.float64)
    return grey


def falling_edges(
    pixels: NDArray[np.float32],
    points_px: Array,
    outward: Array,
    *,
    reach_px: float,
    least_drop: float,
    smoothing_px: float = 1.0,
) -> Edges:
    """The steepest fall of density outwards near each predicted outline point.

    Parameters
    ----------
    pixels : (rows, columns)
        White = dense.
    points_px, outward : (n, 2)
        Predicted outline points (x, y) and unit directions across it, away from the dense side.
    reach_px
        How far to look to either side.
    least_drop
        Least fall per pixel that counts as an edge, in grey values.
    smoothing_px
        Standard deviation of the smoothing along the line.

    Notes
    -----
    The place is the top of a parabola through the three steepest samples, half a pixel apart. A fall at
    the end of the line is not an edge: its steepest place may lie beyond.
    """
    step = 0.5
    half = int(np.ceil(reach_px / step)) + 2
    offsets = np.arange(-half, half + 1, dtype=np.float64) * step
    grey = profiles(pixels, points_px, outward, offsets)
    slope = -gaussian_filter1d(grey, smoothing_px / step, axis=1, order=1, mode="nearest") / step
    # Off the image there is no fall; a large finite number keeps the arithmetic below finite.
    slope = np.where(np.isfinite(slope), slope, -1e30)
    inner = slope[:, 1:-1]
    top = 1 + np.argmax(inner, axis=1)
    rows = np.arange(len(slope))
    before, here, after = slope[rows, top - 1], slope[rows, top], slope[rows, top + 1]
    peaked = (np.minimum(before, after) > -1e29) & (here > before) & (here >= after)
    bend = np.where(peaked, before - 2.0 * here + after, -1.0)
    shift = np.where(peaked, 0.5 * (before - after) / bend, 0.0)
    offset = offsets[top] + np.clip(shift, -1.0, 1.0) * step
    found = peaked & (here >= least_drop) & (np.abs(offset) <= reach_px)
    return Edges(np.where(found, offset, np.nan), np.where(found, here, 0.0), found)
