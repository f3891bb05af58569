"""The head's centre and size from marks on its edge."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.geometry.circle import fit_circle
from cohortlib.geometry.robust import points_array

Array = NDArray[np.float64]
_STEPS = 60
#: Marks beyond this many standard deviations of a click pull no harder than at it.
_FORGIVEN = 3.0


class MarkedHead(NamedTuple):
    """Centre (2,), radius, and the covariance (3, 3) of x, y, radius, in the unit of the marks."""

    centre: Array
    radius: float
    covariance: Array

    @property
    def radius_sd(self) -> float:
        """Standard deviation of the radius."""
        return float(np.sqrt(self.covariance[2, 2]))


def marked_head(
    edge: ArrayLike,
    *,
    click_sd: float,
    expected_radius: tuple[float, float] | None = None,
    expected_centre: tuple[ArrayLike, float] | None = None,
) -> MarkedHead:
    """The circle through marks on the edge of a head.

    Parameters
    ----------
    edge : (n, 2), n >= 3
        Marks.
    click_sd
        Standard deviation of one click along each axis, in the unit of the marks.
    expected_radius
        (radius, standard deviation) where the size is known from elsewhere, or None: the marks alone say.
    expected_centre
        (place (2,), standard deviation along each axis) where the cup says it must be, or None.

    Raises
    ------
    StudyError
        Fewer than three distinct marks, or all on one line.

    Notes
    -----
    Least sum of ``((|pᵢ − c| − r) / sd)² + ((r − r₀) / sd₀)² + |c − c₀|² / sd₁²``. Marks on the short arc
    that a cup leaves to be seen say little of the radius, and through it of the centre; what is known from
    elsewhere mends both. The covariance follows from `click_sd`, not from how well these few marks happen
    to fit.
    """
    points = points_array(edge, least=3, shape="a circle")
    tried = [
        _descent(points, start, click_sd, expected_radius, expected_centre)
        for start in _starts(points, expected_radius, expected_centre)
    ]
    return min(tried, key=lambda found: found[1])[0]


def _starts(
    points: Array,
    expected_radius: tuple[float, float] | None,
    expected_centre: tuple[ArrayLike, float] | None,
) -> list[Array]:
    """Where to begin; without a centre a short arc may be taken for its mirror image, so from both sides."""
    if expected_radius is not None and expected_centre is not None:
        return [np.array([*np.asarray(expected_centre[0], dtype=float), expected_radius[0]])]
    free = fit_circle(points)
    starts = [np.array([*free.centre, free.radius])]
    if expected_radius is not None:
        middle = points.mean(axis=0)
        _, _, axes = np.linalg.svd(points - middle)
        radius = expected_radius[0]
        starts = [np.array([*(middle + sign * radius * axes[1]), radius]) for sign in (1.0, -1.0)]
    return starts


def _descent(
    points: Array,
    values: Array,
    click_sd: float,
    expected_radius: tuple[float, float] | None,
    expected_centre: tuple[ArrayLike, float] | None,
) -> tuple[MarkedHead, float]:
    """The head from one start, and what is left of the sum."""
    inverse, left = np.eye(3), np.inf
    for _ in range(_STEPS):
        away = points - values[:2]
        distance = np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-12)
        off = (distance - values[2]) / click_sd
        slopes = np.column_stack([-away / distance[:, None], -np.ones(len(points))]) / click_sd
        pull = np.sqrt(np.minimum(1.0, _FORGIVEN / np.maximum(np.abs(off), 1e-12)))
        residuals, rows = off * pull, slopes * pull[:, None]
        if expected_radius is not None:
            radius, radius_sd = expected_radius
            residuals = np.append(residuals, (values[2] - radius) / radius_sd)
            rows = np.vstack([rows, [0.0, 0.0, 1.0 / radius_sd]])
        if expected_centre is not None:
            centre, centre_sd = expected_centre
            residuals = np.append(residuals, (values[:2] - np.asarray(centre, dtype=float)) / centre_sd)
            rows = np.vstack([rows, np.eye(2, 3) / centre_sd])
        inverse, left = np.linalg.pinv(rows.T @ rows), float(residuals @ residuals)
        step = inverse @ (rows.T @ residuals)
        values = values - step
        if np.abs(step).max() < 1e-9 * max(1.0, values[2]):
            break
    return MarkedHead(values[:2], float(values[2]), inverse), left
