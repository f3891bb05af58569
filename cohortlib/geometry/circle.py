"""A circle through points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.geometry.robust import points_array, robust_fit

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Circle:
    """A circle.

    Attributes
    ----------
    centre : (2,)
        x, y [mm].
    radius
        [mm].
    covariance : (3, 3)
        Of x, y, radius [mm²]; NaN when three points leave nothing to judge by.
    rms
        Root-mean-square distance of the points kept [mm].
    """

    centre: Array
    radius: float
    covariance: Array
    rms: float

    def points(self, n: int = 181) -> Array:
        """`n` points along the circle (n, 2), closed, anticlockwise from the right."""
        turn = np.linspace(0.0, 2.0 * np.pi, n)
        return self.centre + self.radius * np.column_stack([np.cos(turn), np.sin(turn)])


def fit_circle(points: ArrayLike) -> Circle:
    """The circle nearest to points by true distance, robust to a few bad points.

    Parameters
    ----------
    points : (n, 2), n >= 3
        x, y [mm].

    Raises
    ------
    StudyError
        Fewer than three distinct points, or all on one line.

    References
    ----------
    Start: Pratt V, Direct least-squares fitting of algebraic surfaces, Comput Graph 1987;21:145-52.
    """
    array = points_array(points, least=3, shape="a circle")
    fit = robust_fit(array, subset_size=3, from_subset=_from_subset, distances=_distances, shape="a circle")
    x, y, radius = fit.parameters
    return Circle(np.array([x, y]), float(radius), fit.covariance, fit.rms)


def _from_subset(points: Array) -> Array | None:
    """Algebraic circle x² + y² + bx + cy + d = 0 about the points' own middle."""
    middle = points.mean(axis=0)
    centred = points - middle
    scale = np.abs(centred).max()
    if scale == 0:
        return None
    unit = centred / scale
    design = np.column_stack([unit, np.ones(len(unit))])
    singular = np.linalg.svd(design, compute_uv=False)
    if singular[-1] < 1e-6 * singular[0]:
        return None
    b, c, d = np.linalg.lstsq(design, -(unit**2).sum(axis=1), rcond=None)[0]
    squared = (b * b + c * c) / 4.0 - d
    if squared <= 0:
        return None
    centre = middle + scale * np.array([-b / 2.0, -c / 2.0])
    return np.array([*centre, scale * np.sqrt(squared)])


def _distances(parameters: Array, points: Array) -> Array:
    return np.hypot(points[:, 0] - parameters[0], points[:, 1] - parameters[1]) - parameters[2]
