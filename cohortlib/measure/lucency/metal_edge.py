"""Where the edge of the metal lies across an outline, row by row, smoothly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d, median_filter

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: The edge is smoothed along the interface over this (SD) [mm].
_EDGE_MM = 1.5
#: An edge this far from the smooth course of its neighbours is not the metal's [mm].
_ASTRAY_MM = 0.4
#: Nor is one that rises less than this part of the usual.
_LEAST_RISE = 0.25


def metal_edges(received: Array, x: Array, along: float, reach_mm: float) -> tuple[Array, Mask]:
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
    low, high = (
        slope[rows, np.maximum(at - 1, 0)],
        slope[rows, np.minimum(at + 1, len(x) - 1)],
    )
    bend = np.minimum(low - 2 * steepest + high, -1e-12)
    offset = x[at] + np.clip(0.5 * (low - high) / bend, -1, 1) * step
    usual = np.median(steepest[known])
    course = median_filter(offset, max(3, round(8 / along) | 1), mode="nearest")
    found = known & (np.abs(offset - course) < _ASTRAY_MM) & (steepest > _LEAST_RISE * usual) & (usual > 0)
    weight = gaussian_filter1d(found.astype(float), _EDGE_MM / along, mode="nearest")
    moved = gaussian_filter1d(np.where(found, offset - course, 0.0), _EDGE_MM / along, mode="nearest")
    course = gaussian_filter1d(course, _EDGE_MM / along, mode="nearest")
    return course + moved / np.maximum(weight, 0.05), found
