"""The one way shapes are fitted to points of which a few may be wrong.

Three steps: shapes through many small subsets of the points, of which the one with the least median
distance starts; a least-squares fit of the true distances with a loss that forgives; then points
farther off than 4 robust standard deviations are left out and the rest fitted by plain least squares.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations
from math import comb
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from cohortlib.errors import study_error

Array = NDArray[np.float64]
#: From normal-law median absolute deviation to standard deviation.
_MAD_TO_SD = 1.4826
_MOST_SUBSETS = 120


class Fit(NamedTuple):
    """Parameters, their covariance, root-mean-square distance and which points were kept."""

    parameters: Array
    covariance: Array
    rms: float
    kept: NDArray[np.bool_]


def points_array(points: ArrayLike, *, least: int, shape: str) -> Array:
    """The points as an (n, 2) float array, or a `StudyError` that says what is wrong with them."""
    array = np.asarray(points, dtype=float)
    if array.ndim != 2 or array.shape[1] != 2:
        raise study_error(
            column="points",
            found=f"an array of shape {array.shape}",
            expected="shape (n, 2), x and y",
            remedy="Give one row a point",
        )
    if not np.isfinite(array).all():
        raise study_error(
            column="points",
            found=f"{int((~np.isfinite(array)).any(axis=1).sum())} points without finite x and y",
            expected="finite numbers",
            remedy="Leave out marks without a place",
        )
    distinct = len(np.unique(array, axis=0))
    if distinct < least:
        raise study_error(
            column="points",
            found=f"{distinct} distinct points",
            expected=f"at least {least} for {shape}",
            remedy="Mark more points, well apart",
        )
    return array


def robust_fit(
    points: Array,
    *,
    subset_size: int,
    from_subset: Callable[[Array], Array | None],
    distances: Callable[[Array, Array], Array],
    shape: str,
) -> Fit:
    """Fit a shape to points, a few of which may be far off.

    Parameters
    ----------
    points : (n, 2)
    subset_size
        Points that determine the shape.
    from_subset
        Points of a subset to parameters, or None if they determine no such shape.
    distances
        (parameters, points) to signed distances (n,).
    shape
        For the message.

    Raises
    ------
    StudyError
        If no subset determines the shape (points on a line, say).
    """
    start = _best_subset(points, subset_size, from_subset, distances)
    if start is None:
        raise study_error(
            column="points",
            found=f"{len(points)} points that lie on no {shape.split()[-1]}",
            expected=f"points spread along {shape}",
            remedy="Mark points well apart along the outline",
        )
    forgiving = least_squares(
        lambda p: distances(p, points),
        start,
        loss="soft_l1",
        f_scale=max(_spread(distances(start, points)), 1e-9),
        x_scale="jac",
    ).x
    off = np.abs(distances(forgiving, points))
    kept = off <= max(4.0 * _spread(off), 1e-9)
    # With fewer to spare than two, any point can be called far off: the others lie on a shape of their own.
    if kept.sum() < max(subset_size + 2, len(points) // 2):
        kept = np.ones(len(points), dtype=bool)
    final = least_squares(lambda p: distances(p, points[kept]), forgiving, x_scale="jac")
    return Fit(final.x, _covariance(final.jac, final.fun), float(np.sqrt(np.mean(final.fun**2))), kept)


def _best_subset(
    points: Array,
    size: int,
    from_subset: Callable[[Array], Array | None],
    distances: Callable[[Array, Array], Array],
) -> Array | None:
    """Parameters of the subset (or of all points) with the least median distance to all points."""
    best, best_score = None, np.inf
    for rows in _subsets(len(points), size):
        candidate = from_subset(points[rows])
        if candidate is None:
            continue
        score = float(np.median(np.abs(distances(candidate, points))))
        if score < best_score:
            best, best_score = candidate, score
    return best


def _subsets(n: int, size: int) -> list[list[int]]:
    """All points together, then all subsets where they are few, else a fixed draw of them."""
    if comb(n, size) <= _MOST_SUBSETS:
        return [list(range(n)), *map(list, combinations(range(n), size))]
    # The seed is a constant: the same points always give the same shape.
    rng = np.random.default_rng(20)
    drawn = [list(rng.choice(n, size, replace=False)) for _ in range(_MOST_SUBSETS // 2)]
    return [list(range(n)), *drawn]


def _spread(distances: Array) -> float:
    return float(_MAD_TO_SD * np.median(np.abs(distances)))


def _covariance(jacobian: Array, residuals: Array) -> Array:
    """Covariance of least-squares parameters; NaN when no point is left over to judge by."""
    n, p = jacobian.shape
    if n <= p:
        return np.full((p, p), np.nan)
    return np.linalg.pinv(jacobian.T @ jacobian) * float(residuals @ residuals) / (n - p)
