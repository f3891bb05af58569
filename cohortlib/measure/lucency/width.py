"""How wide a line is, of which shape, and how well that is known."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.measure.lucency.shapes import SHAPES, Lines

Array = NDArray[np.float64]


#: Least standard deviation of a width: blur and the metal's edge are not known better [mm].
_LEAST_SD_MM = 0.04


class Width(NamedTuple):
    """Width and its standard deviation [mm], amplitude over bone, shape, and the index of the template."""

    mm: float
    sd_mm: float
    amplitude: float
    shape: str
    template: int


def fit_width(profile: Array, lines: Lines, free: Array, covariance: Array) -> Width:
    """The width of the line in a mean profile (m,).

    Notes
    -----
    Every width, shape and margin is fitted by least squares with the covariance of the noise. A margin must
    pay for its two further unknowns. The width is the mean over the likelihood of the better shape; its
    standard deviation is that over both shapes, so that it is large where the shape is not clear.
    """
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    across, _ = np.linalg.qr(white @ free)

    def rest(part: Array) -> Array:
        part = white @ part
        return part - across @ (across.T @ part)

    y, line, margin = rest(profile), rest(lines.line.T), rest(lines.margin.T)
    ll, mm, lm = (
        (line**2).sum(axis=0),
        (margin**2).sum(axis=0),
        (line * margin).sum(axis=0),
    )
    ly, my = y @ line, y @ margin
    has = lines.margin_mm > 0
    bound = np.where(has, ll * mm - lm**2, 1.0)
    bright = np.where(has, (ll * my - lm * ly) / np.maximum(bound, 1e-12), 0.0)
    bright = np.minimum(bright, 0.0)
    dark = np.maximum((ly - lm * bright) / np.maximum(ll, 1e-12), 0.0)
    gain = 2 * (dark * ly + bright * my) - dark**2 * ll - 2 * dark * bright * lm - bright**2 * mm
    score = gain / 2 - np.where(has, 2.0, 0.0)
    score = np.where(dark > 0, score, -np.inf)
    if not np.isfinite(score).any():
        return Width(np.nan, np.inf, 0.0, SHAPES[0], 0)
    weight = np.exp(score - score.max())
    shape = int(np.argmax([weight[lines.shape == k].sum() for k in range(len(SHAPES))]))
    own = np.where(lines.shape == shape, weight, 0.0)
    width = float(own @ lines.width_mm / own.sum())
    sd = float(np.sqrt(weight @ (lines.width_mm - width) ** 2 / weight.sum() + _LEAST_SD_MM**2))
    best = int(np.argmax(np.where(lines.shape == shape, score, -np.inf)))
    return Width(width, sd, float(dark[best]), SHAPES[shape], best)
