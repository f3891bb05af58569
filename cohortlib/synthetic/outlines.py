"""Where the outlines of balls and circles fall on the film, in closed form."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cohortlib.synthetic.xray import Grid

Array = NDArray[np.floating]


def sphere_outline_px(centre_mm: Array, radius_mm: float, grid: Grid, *, count: int) -> Array:
    """Points (count, 2: x_px, y_px) on the edge of the shadow of a ball in the film frame [mm].

    Notes
    -----
    The rays that graze a ball at distance d touch it on a circle of radius r sqrt(1 - (r/d)²), whose
    centre lies at (1 - (r/d)²) of the way; its shadow is the ellipse of `circle_outline_px`.
    """
    distance = float(np.linalg.norm(centre_mm))
    share = 1 - (radius_mm / distance) ** 2
    return circle_outline_px(
        centre_mm * share, centre_mm / distance, radius_mm * float(np.sqrt(share)), grid, count=count
    )


def circle_outline_px(centre_mm: Array, axis: Array, radius_mm: float, grid: Grid, *, count: int) -> Array:
    """Points (count, 2: x_px, y_px) on the shadow of a circle about a unit axis in the film frame [mm].

    They are even in the ellipse's own angle and start at an end of its longer axis; with an even
    count the other end is point count / 2.

    Notes
    -----
    The shadow of the point (cos t, sin t, 1) of the circle is M (cos t, sin t, 1) in homogeneous
    coordinates, so the outline is the conic inv(M)' diag(1, 1, -1) inv(M).
    """
    middle, first, second = _axes_mm(*_circle_conic(centre_mm, axis, radius_mm, grid))
    angle = 2 * np.pi * np.arange(count) / count
    points = middle + np.outer(np.cos(angle), first) + np.outer(np.sin(angle), second)
    return grid.px_on_film(points)


def outline_axes_mm(
    centre_mm: Array, axis: Array, radius_mm: float, grid: Grid
) -> tuple[Array, Array, Array]:
    """Centre, longer and shorter half axis (u, w) of the shadow of a circle on the film [mm]."""
    return _axes_mm(*_circle_conic(centre_mm, axis, radius_mm, grid))


def _circle_conic(centre_mm: Array, axis: Array, radius_mm: float, grid: Grid) -> tuple[Array, Array, float]:
    """Quadratic, linear and constant part of the outline's equation, scaled to 100 mm."""
    beam = np.array([0.0, 1.0, 0.0])
    first = np.cross(axis, beam)
    length = np.linalg.norm(first)
    first = np.array([1.0, 0.0, 0.0]) - axis * axis[0] if length < 1e-9 else first / length
    first = first / np.linalg.norm(first)
    circle = np.column_stack([radius_mm * first, radius_mm * np.cross(axis, first), centre_mm])
    scale = grid.source_to_detector_mm / 100
    inverse = np.linalg.inv(np.array([circle[0] * scale, circle[2] * scale, circle[1]]))
    conic = inverse.T @ np.diag([1.0, 1.0, -1.0]) @ inverse
    return conic[:2, :2], conic[:2, 2], float(conic[2, 2])


def _axes_mm(quadratic: Array, linear: Array, constant: float) -> tuple[Array, Array, Array]:
    middle = -np.linalg.solve(quadratic, linear)
    level = -(constant + linear @ middle)
    values, vectors = np.linalg.eigh(quadratic / level)  # the smaller value, the longer axis, first
    half = vectors / np.sqrt(values)
    return 100 * middle, 100 * half[:, 0], 100 * half[:, 1]
