"""How sharp the film is and how round the metal: what every line of an outline is blurred by."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.measure.lucency.shapes import blur_matrix, line_cells, metal

Array = NDArray[np.float64]

_SIGMAS_MM = (0.08, 0.11, 0.14, 0.17, 0.20, 0.22, 0.24, 0.26, 0.29, 0.33, 0.39, 0.46, 0.55, 0.66)
_ROUND_MM = (0.0, 0.01, 0.03, 0.08, 0.2, 0.5)
#: Widths that are tried when blur and edge are fitted, and when a line is looked for.
TRIED_MM = np.array([0.4, 0.6, 0.85, 1.2, 1.7, 2.4, 3.4])


_TRIED = line_cells(TRIED_MM, np.zeros(1)).line


#: How far the metal's edge of a stretch may lie aside [mm], how much softer or sharper it may be, and what
#: else it may deviate by, as part of the step (SD each).
_ASIDE_MM, _SOFTER, _UNKNOWN = 0.02, 0.04, 0.005


class Appearance(NamedTuple):
    """Blur (SD) and roundness of the metal's edge [mm], as in `shapes`."""

    sigma_mm: float
    round_mm: float


class Basis(NamedTuple):
    """What a profile without a line may be made of.

    free : (m, k)
        Bone, its slope, the metal: of any size.
    soft : (m, l)
        What it may deviate by, each column of the size of one standard deviation: an edge a little aside, a
        little sharper or softer, bone that bends.
    """

    free: Array
    soft: Array


def basis(x_mm: Array, appearance: Appearance, step: float) -> Basis:
    """What profiles may be made of; `step` is the exposure from metal to bone."""
    sigma, roundness = appearance
    blur = blur_matrix(x_mm, sigma)
    shadow = metal(x_mm, blur, roundness)
    softer = metal(x_mm, blur_matrix(x_mm, (1 + _SOFTER) * sigma), roundness) - shadow
    aside = metal(x_mm + _ASIDE_MM, blur_matrix(x_mm + _ASIDE_MM, sigma), roundness) - shadow
    reach = np.maximum(x_mm, 0.0)
    outside = 1 - metal(x_mm, blur, 0.0)
    bend = outside * ((reach / x_mm.max() - 0.5) ** 2 - 1 / 12) * 0.15
    free = np.column_stack([np.ones_like(x_mm), outside * reach, shadow, shadow * np.minimum(x_mm, 0)])
    unknown = np.diag((0.001 + _UNKNOWN * np.exp(-((x_mm / (2 * sigma)) ** 2) / 2)) * step)
    return Basis(free, np.column_stack([aside * step, softer * step, bend, unknown]))


def fit_appearance(means: Array, x_mm: Array, covariances: list[Array], step: float) -> Appearance:
    """The blur and roundness under which the mean profiles (zones, m) of an outline are followed best.

    Each zone may have a line of its own, or none.
    """
    whiten = [np.linalg.inv(np.linalg.cholesky(part)) for part in covariances]

    def misfit(sigma: float, roundness: float) -> float:
        appearance = Appearance(sigma, roundness)
        both = basis(x_mm, appearance, step)
        free = np.column_stack([both.free, both.soft[:, 0]])
        lines = _TRIED @ blur_matrix(x_mm, sigma).T
        total = 0.0
        for mean, white in zip(means, whiten, strict=True):
            across, _ = np.linalg.qr(white @ free)
            rest = white @ mean
            rest = rest - across @ (across.T @ rest)
            of_lines = white @ lines.T
            of_lines -= across @ (across.T @ of_lines)
            gain = np.maximum(rest @ of_lines, 0.0) ** 2 / np.maximum((of_lines**2).sum(axis=0), 1e-12)
            total += float(rest @ rest - max(gain.max() - 6.0, 0.0))
        return total

    sigma = min(_SIGMAS_MM, key=lambda sigma: misfit(sigma, 0.0))
    near = [s for s in _SIGMAS_MM if 0.45 * sigma < s < 1.3 * sigma]
    return Appearance(*min(((s, r) for s in near for r in _ROUND_MM), key=lambda both: misfit(*both)))
