"""An ellipse: through points, and to and from its conic matrix."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.robust import points_array, robust_fit

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Ellipse:
    """An ellipse.

    Attributes
    ----------
    centre : (2,)
        x, y [mm].
    semi_axes
        (major, minor) [mm].
    angle_deg
        Of the major axis to the x axis, anticlockwise, in (-90, 90] [deg].
    covariance : (5, 5)
        Of x, y, major, minor [mm] and the angle [rad]; NaN when not fitted to more than five points.
    rms
        Root-mean-square distance of the points kept [mm]; NaN when not fitted.
    """

    centre: Array
    semi_axes: tuple[float, float]
    angle_deg: float
    covariance: Array = field(default_factory=lambda: np.full((5, 5), np.nan))
    rms: float = np.nan

    @property
    def parameters(self) -> Array:
        """x, y, major, minor [mm], angle [rad]."""
        return np.array([*self.centre, *self.semi_axes, np.radians(self.angle_deg)])

    def points(self, n: int = 181) -> Array:
        """`n` points along the ellipse (n, 2), closed, from one end of the major axis."""
        turn = np.linspace(0.0, 2.0 * np.pi, n)
        own = np.column_stack([self.semi_axes[0] * np.cos(turn), self.semi_axes[1] * np.sin(turn)])
        return self.centre + own @ _axes(np.radians(self.angle_deg))

    def conic(self) -> Array:
        """The symmetric (3, 3) matrix Q with (x, y, 1) Q (x, y, 1)ᵀ = 0 on the ellipse, < 0 inside."""
        axes = _axes(np.radians(self.angle_deg))
        major, minor = self.semi_axes
        form = axes.T @ np.diag([1.0 / major**2, 1.0 / minor**2]) @ axes
        edge = -form @ self.centre
        whole = np.empty((3, 3))
        whole[:2, :2], whole[:2, 2], whole[2, :2] = form, edge, edge
        whole[2, 2] = self.centre @ form @ self.centre - 1.0
        return whole


def ellipse_from_parameters(parameters: ArrayLike) -> Ellipse:
    """The ellipse of x, y, two semi-axes in any order, angle [rad]."""
    x, y, first, second, angle = np.asarray(parameters, dtype=float)
    first, second = abs(first), abs(second)
    if second > first:
        first, second, angle = second, first, angle + np.pi / 2.0
    return Ellipse(np.array([x, y]), (float(first), float(second)), _half_turn(np.degrees(angle)))


def ellipse_from_conic(conic: ArrayLike) -> Ellipse:
    """The ellipse of a symmetric conic matrix.

    Raises
    ------
    StudyError
        If the conic is a parabola, a hyperbola or has no points.
    """
    matrix = np.asarray(conic, dtype=float)
    form, edge = matrix[:2, :2], matrix[:2, 2]
    if np.linalg.det(form) > 0:
        centre = np.linalg.solve(form, -edge)
        level = -(matrix[2, 2] + edge @ centre)
        sizes, axes = np.linalg.eigh(form / level)
        if sizes[0] > 0:
            major, minor = 1.0 / np.sqrt(sizes)
            angle = np.degrees(np.arctan2(axes[1, 0], axes[0, 0]))
            return Ellipse(centre, (float(major), float(minor)), _half_turn(angle))
    raise study_error(
        column="conic",
        found="a curve that does not close",
        expected="an ellipse",
        remedy="Mark points on both sides of the outline",
    )


def fit_ellipse(points: ArrayLike) -> Ellipse:
    """The ellipse nearest to points by true distance, robust to a few bad points.

    Parameters
    ----------
    points : (n, 2), n >= 5
        x, y [mm].

    Raises
    ------
    StudyError
        Fewer than five distinct points, or points that lie on no ellipse.

    References
    ----------
    Start: Halir R, Flusser J, Numerically stable direct least squares fitting of ellipses,
    Proc WSCG 1998:125-32. Distances: the foot of the perpendicular, by Newton's method.
    """
    array = points_array(points, least=5, shape="an ellipse")
    fit = robust_fit(
        array, subset_size=5, from_subset=_from_subset, distances=ellipse_distances, shape="an ellipse"
    )
    plain = ellipse_from_parameters(fit.parameters)
    covariance = fit.covariance
    if fit.parameters[3] > fit.parameters[2]:
        order = [0, 1, 3, 2, 4]
        covariance = covariance[np.ix_(order, order)]
    return Ellipse(plain.centre, plain.semi_axes, plain.angle_deg, covariance, fit.rms)


def ellipse_distances(parameters: ArrayLike, points: ArrayLike) -> Array:
    """Signed distance of points (n, 2) to the ellipse x, y, semi-axes, angle [rad]; inside is negative."""
    x, y, first, second, angle = np.asarray(parameters, dtype=float)
    first, second = max(abs(first), 1e-9), max(abs(second), 1e-9)
    own = np.abs((np.asarray(points, dtype=float) - [x, y]) @ _axes(angle).T)
    u, v = own[:, 0], own[:, 1]
    # Off the axes: on them Newton's method would stay at the farthest point.
    turn = np.arctan2(np.maximum(v, 1e-6 * second) * first, np.maximum(u, 1e-6 * first) * second)
    for _ in range(10):
        sine, cosine = np.sin(turn), np.cos(turn)
        away_u, away_v = u - first * cosine, v - second * sine
        slope = first * sine * away_u - second * cosine * away_v
        bend = first * cosine * away_u + second * sine * away_v + (first * sine) ** 2 + (second * cosine) ** 2
        step = np.where(bend > 0, slope / np.where(bend > 0, bend, 1.0), 0.3 * np.sign(slope))
        turn = np.clip(turn - np.clip(step, -0.3, 0.3), 0.0, np.pi / 2.0)
    distance = np.hypot(u - first * np.cos(turn), v - second * np.sin(turn))
    outside = (u / first) ** 2 + (v / second) ** 2 >= 1.0
    return np.where(outside, distance, -distance)


def near_distances(ellipse: Ellipse, points: Array) -> Array:
    """Signed distance of points (n, 2) close to the ellipse, to first order; inside is negative.

    References
    ----------
    Sampson PD, Fitting conic sections to "very scattered" data, Comput Graph Image Process 1982;18:97-108.
    """
    homogeneous = np.column_stack([points, np.ones(len(points))])
    slopes = homogeneous @ ellipse.conic()
    values = (homogeneous * slopes).sum(axis=1)
    return 0.5 * values / np.maximum(np.hypot(slopes[:, 0], slopes[:, 1]), 1e-12)


def _from_subset(points: Array) -> Array | None:
    """Direct algebraic ellipse, in coordinates scaled about the points' own middle."""
    middle = points.mean(axis=0)
    scale = np.abs(points - middle).max()
    if scale == 0:
        return None
    x, y = ((points - middle) / scale).T
    quadratic = np.column_stack([x * x, x * y, y * y])
    linear = np.column_stack([x, y, np.ones_like(x)])
    if np.linalg.matrix_rank(linear, tol=1e-9) < 3:
        return None
    to_linear = -np.linalg.pinv(linear.T @ linear) @ (linear.T @ quadratic)
    reduced = quadratic.T @ quadratic + quadratic.T @ linear @ to_linear
    constrained = np.array([reduced[2] / 2.0, -reduced[1], reduced[0] / 2.0])
    _, vectors = np.linalg.eig(constrained)
    vectors = np.real(vectors)
    condition = 4.0 * vectors[0] * vectors[2] - vectors[1] ** 2
    if not (condition > 1e-12).any():
        return None
    a, b, c = vectors[:, int(np.argmax(condition))]
    d, e, f = to_linear @ [a, b, c]
    matrix = np.array([[a, b / 2, d / 2], [b / 2, c, e / 2], [d / 2, e / 2, f]])
    try:
        own = ellipse_from_conic(matrix)
    except ValueError:
        return None
    result = own.parameters
    result[:2] = middle + scale * result[:2]
    result[2:4] *= scale
    return result if np.isfinite(result).all() and result[2] < 1e4 * scale else None


def _axes(angle: float) -> Array:
    """Rows: the unit vectors of the two axes."""
    return np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])


def _half_turn(angle_deg: float) -> float:
    """The same axis direction in (-90, 90]."""
    return float(90.0 - (90.0 - angle_deg) % 180.0)
