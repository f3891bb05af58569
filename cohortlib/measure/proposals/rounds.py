"""Bright round things on a coarse film, found by votes of the edges about them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter

from cohortlib.measure.proposals.coarse import COARSE_MM

Array = NDArray[np.float64]
#: Radii of domes and caps as they appear on a film, magnified or not [mm].
RADII_MM = (18.0, 42.0)
_EDGE_SHARE = 0.10
_MOST = 12


class Round(NamedTuple):
    """A bright disc: centre x, y and radius [coarse pixels], share of its rim seen, how far it stands out."""

    x: float
    y: float
    radius: float
    share: float
    contrast: float


def bright_rounds(grey: NDArray[np.float32], *, widest: float = 1.0) -> list[Round]:
    """Bright discs with a sharp rim, the most prominent first.

    Parameters
    ----------
    grey
        A coarse film, white = dense.
    widest
        Factor on the largest radius looked for; more than 1 where the film's scale is a guess.

    Notes
    -----
    Every strong edge votes for the centres that lie up its slope at each radius; each radius has an
    accumulator of its own, counted against the length of its circle.

    References
    ----------
    Duda RO, Hart PE, Use of the Hough transformation to detect lines and curves in pictures,
    Commun ACM 1972;15:11-15; votes along the gradient: Kimme C et al., Finding circles by an array of
    accumulators, Commun ACM 1975;18:120-2.
    """
    smooth = gaussian_filter(grey, 0.8)
    down, right = np.gradient(smooth)
    steep = np.hypot(down, right)
    steep[:2], steep[-2:], steep[:, :2], steep[:, -2:] = 0.0, 0.0, 0.0, 0.0
    rows, columns = np.nonzero(steep > max(float(np.quantile(steep, 1.0 - _EDGE_SHARE)), 1e-6))
    step_x, step_y = (part[rows, columns] / steep[rows, columns] for part in (right, down))
    radii = np.arange(RADII_MM[0], RADII_MM[1] * widest + 0.1, COARSE_MM) / COARSE_MM
    votes = np.zeros((len(radii), *grey.shape), dtype=np.float32)
    for level, radius in zip(votes, radii, strict=True):
        x = np.rint(columns + radius * step_x).astype(np.intp)
        y = np.rint(rows + radius * step_y).astype(np.intp)
        on = (x >= 0) & (x < grey.shape[1]) & (y >= 0) & (y < grey.shape[0])
        level += np.bincount(y[on] * grey.shape[1] + x[on], minlength=grey.size).reshape(grey.shape)
        level /= 2.0 * np.pi * radius
    votes = gaussian_filter(votes, 1.0)
    votes *= 15.7  # a lone vote, smoothed in three directions, counts as one at its own place
    tops = np.argwhere((votes == maximum_filter(votes, size=(7, 9, 9))) & (votes > 0.3))
    tops = tops[np.argsort(-votes[tuple(tops.T)])][:_MOST]
    found = [
        Round(float(x), float(y), float(radii[k]), float(votes[k, y, x]), _contrast(smooth, x, y, radii[k]))
        for k, y, x in tops
    ]
    return sorted(found, key=lambda one: -one.share * max(one.contrast, 0.0))


def _contrast(grey: NDArray[np.float32], x: float, y: float, radius: float) -> float:
    """Middling grey within a disc less that of the upper part of a ring about it."""
    reach = int(1.5 * radius) + 1
    top, left = max(0, int(y) - reach), max(0, int(x) - reach)
    patch = grey[top : int(y) + reach + 1, left : int(x) + reach + 1]
    rows, columns = np.ogrid[: patch.shape[0], : patch.shape[1]]
    away = np.hypot(columns + left - x, rows + top - y) / radius
    return float(
        np.quantile(patch[away < 0.85], 0.3) - np.quantile(patch[(away > 1.15) & (away < 1.45)], 0.7)
    )
