"""Directions of marked axes, and angles between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.geometry.robust import points_array

Array = NDArray[np.float64]


def axis_through(points: ArrayLike, *, upwards: ArrayLike) -> tuple[Array, Array]:
    """Middle and unit direction of the axis through points (n, 2), n >= 2, turned to one end.

    Parameters
    ----------
    points : (n, 2)
        Along the axis; the line nearest to all of them by perpendicular distance is taken.
    upwards : (2,)
        The direction returned is the one of two that leans this way.

    Raises
    ------
    StudyError
        Fewer than two distinct points.
    """
    array = points_array(points, least=2, shape="an axis")
    middle = array.mean(axis=0)
    _, _, axes = np.linalg.svd(array - middle, full_matrices=False)
    direction = axes[0]
    return middle, direction if direction @ np.asarray(upwards, dtype=float) >= 0 else -direction


def turn_deg(first: ArrayLike, second: ArrayLike) -> float:
    """Angle from the first direction to the second, anticlockwise, in (-180, 180] [deg]."""
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    return float(np.degrees(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)))
