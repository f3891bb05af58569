"""How sharp the film is and how round the metal: what every line of an outline is blurred by."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.measure.lucency.shapes import blur_matrix, line_cells, metal

Array = NDArray[np.float64]

_SIGMAS_MM = (
    0.08,
    0.11,
    0.14,
    0.17,
    0.20,
    0.22,
    0.24,
    0.26,
    0.29,
    0.33,
    0.39,
    0.46,
    0.55,
    0.66,
)
_ROUND_MM = (0.0, 0.02, 0.05, 0.12, 0.25, 0.45, 0.7, 1.1, 1.8, 3.0)
#: Bone has a course of its own across the interface, such as cortex behind a canal: how much it may be (SD),
#: and how smooth (SD of its Gaussian covariance) [mm].
_COURSES, _COURSE_MM = (0.005, 0.01, 0.02, 0.04), 2.0
#: Widths that are tried when blur and edge are fitted, and when a line is looked for.
TRIED_MM = np.array([0.4, 0.6, 0.85, 1.2, 1.6, 2.0, 2.5, 3.0, 3.6])
#: How far the metal's edge of a zone may lie aside [mm], how much softer or sharper it may be, how much
#: rounder, and what else it may deviate by, as part of the step (SD each).
_ASIDE_MM, _SOFTER, _ROUNDER, _UNKNOWN = 0.02, 0.04, 0.3, 0.005
#: What a line must gain to be taken for one, in half squares of a standard deviation.
_WORTH = 3.0
_TRIED = line_cells(TRIED_MM, np.zeros(1)).line


class Appearance(NamedTuple):
    """Blur (SD) and roundness of the metal's edge [mm], as in `shapes`, and the course of bone (SD)."""

    sigma_mm: float
    round_mm: float
    course: float


class Basis(NamedTuple):
    """What a profile without a line may be made of.

    free : (m, k)
        Bone as a parabola, the metal and its slope: of any size.
    soft : (m, l)
        What it may deviate by, each column of the size of one standard deviation: an edge a little aside, a
        little sharper or softer, or rounder; bone with a course of its own.
    """

    free: Array
    soft: Array


def basis(x_mm: Array, appearance: Appearance, step: float) -> Basis:
    """What profiles may be made of; `step` is the exposure from metal to bone."""
    sigma, roundness, sd = appearance
    blur = blur_matrix(x_mm, sigma)
    shadow = metal(x_mm, blur, roundness)
    softer = metal(x_mm, blur_matrix(x_mm, (1 + _SOFTER) * sigma), roundness) - shadow
    aside = metal(x_mm + _ASIDE_MM, blur_matrix(x_mm + _ASIDE_MM, sigma), roundness) - shadow
    rounder = metal(x_mm, blur, (1 + _ROUNDER) * roundness) - shadow
    outside = 1 - metal(x_mm, blur, 0.0)
    part = 2 * np.maximum(x_mm, 0.0) / x_mm.max() - 1
    shapes = [
        np.ones_like(x_mm),
        outside * part,
        outside * part**2,
        shadow,
        shadow * np.minimum(x_mm, 0),
    ]
    course = sd * outside[:, None] * _course(len(x_mm), round(float(x_mm[1] - x_mm[0]), 9))
    unknown = np.diag((0.001 + _UNKNOWN * np.exp(-((x_mm / (2 * sigma)) ** 2) / 2)) * step)
    edge = np.column_stack([aside, softer, rounder]) * step
    return Basis(np.column_stack(shapes), np.hstack([edge, course, unknown]))


@cache
def _course(count: int, step_mm: float) -> Array:
    """Smooth courses across the interface, each of the size of one standard deviation: (count, l)."""
    lag = np.arange(count) * step_mm / _COURSE_MM
    values, vectors = np.linalg.eigh(np.exp(-((lag[:, None] - lag) ** 2) / 2))
    smooth = values > 1e-3
    return np.asarray(vectors[:, smooth] * np.sqrt(values[smooth]))


def fit_appearance(means: Array, x_mm: Array, covariances: list[Array], step: float) -> Appearance:
    """The blur, roundness and course under which the mean profiles (zones, m) of an outline are likeliest.

    Each zone may have a line of its own, or none.
    """

    def likelihood(appearance: Appearance, fixed: list[Array] | None = None) -> float:
        free, soft = basis(x_mm, appearance, step)
        lines = _TRIED @ blur_matrix(x_mm, appearance.sigma_mm).T
        if fixed is not None:
            free = np.column_stack([free, soft[:, 0]])
        total = 0.0
        for k, mean in enumerate(means):
            if fixed is None:
                white = _whitening(covariances[k] + soft @ soft.T)
                total += float(np.log(np.diag(white)).sum())
            else:
                white = fixed[k]
            total -= _misfit(white @ mean, white @ free, white @ lines.T)
        return total

    start = basis(x_mm, Appearance(0.25, 0.0, _COURSES[1]), step).soft[:, 3:]
    fixed = [_whitening(part + start @ start.T) for part in covariances]
    found = Appearance(_SIGMAS_MM[0], 0.0, _COURSES[1])
    for _ in range(2):
        for name, choices in (("sigma_mm", _SIGMAS_MM), ("round_mm", _ROUND_MM)):
            tried = [found._replace(**{name: choice}) for choice in choices]
            found = max(tried, key=lambda one: likelihood(one, fixed))
    return max((found._replace(course=course) for course in _COURSES), key=likelihood)


def _whitening(covariance: Array) -> Array:
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))


def _misfit(profile: Array, free: Array, lines: Array) -> float:
    """Half the squares left of a whitened profile, with the line that helps most if it is worth it."""
    across, _ = np.linalg.qr(free)
    rest = profile - across @ (across.T @ profile)
    lines = lines - across @ (across.T @ lines)
    gain = np.maximum(rest @ lines, 0.0) ** 2 / np.maximum((lines**2).sum(axis=0), 1e-12)
    return float(rest @ rest - max(gain.max() - 2 * _WORTH, 0.0)) / 2
