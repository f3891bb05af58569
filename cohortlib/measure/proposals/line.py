"""The straight line through points of which a few stray."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def robust_line(points: Array) -> tuple[Array, Array, float]:
    """Middle, unit direction and rms distance of the line through points, few strays left out."""
    kept = points
    for _ in range(3):
        middle = kept.mean(axis=0)
        _, _, axes = np.linalg.svd(kept - middle)
        away = np.abs((points - middle) @ axes[1])
        kept = points[away <= max(2.5 * float(np.median(away)), 0.15)]
    rms = float(np.sqrt(np.mean(((kept - middle) @ axes[1]) ** 2)))
    return middle, axes[0], rms
