"""A straight line through points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.geometry.robust import points_array, robust_fit

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Line:
    """A line through `point` along `direction` (unit vector); `rms` is that of the fit, in mm."""

    point: Array
    direction: Array
    rms: float

    @property
    def angle_deg(self) -> float:
        """Angle to the x axis, anticlockwise, in (-90, 90] [deg]."""
        x, y = self.direction
        angle = np.degrees(np.arctan2(y, x))
        return float(90.0 - (90.0 - angle) % 180.0)

    def distance(self, points: ArrayLike) -> Array:
        """Signed distance of points (n, 2), positive to the left of the direction [mm]."""
        offset = np.asarray(points, dtype=float) - self.point
        return self.direction[0] * offset[..., 1] - self.direction[1] * offset[..., 0]


def fit_line(points: ArrayLike) -> Line:
    """The line nearest to points by perpendicular distance, robust to a few bad points.

    Parameters
    ----------
    points : (n, 2), n >= 2
        x, y [mm].

    Raises
    ------
    StudyError
        Fewer than two distinct points.
    """
    array = points_array(points, least=2, shape="a line")
    fit = robust_fit(
        array,
        subset_size=2,
        from_subset=_from_subset,
        distances=_distances,
        shape="a line",
    )
    kept = array[fit.kept]
    angle = fit.parameters[0]
    direction = np.array([np.cos(angle), np.sin(angle)])
    if direction[0] < 0 or (direction[0] == 0 and direction[1] < 0):
        direction = -direction
    return Line(kept.mean(axis=0), direction, fit.rms)


def _from_subset(points: Array) -> Array | None:
    centred = points - points.mean(axis=0)
    _, spread, axes = np.linalg.svd(centred, full_matrices=False)
    if spread[0] == 0:
        return None
    angle = np.arctan2(axes[0, 1], axes[0, 0])
    return np.array([angle, _normal(angle) @ points.mean(axis=0)])


def _distances(parameters: Array, points: Array) -> Array:
    angle, offset = parameters
    return points @ _normal(angle) - offset


def _normal(angle: float) -> Array:
    return np.array([-np.sin(angle), np.cos(angle)])
