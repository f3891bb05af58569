"""Where along a zone a line is seen: the stretch of the interface that says so most clearly."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.measure.lucency.noise import Noise

Array = NDArray[np.float64]


class Stretch(NamedTuple):
    """Bins first … last − 1 of a zone, the template that fits there, its amplitude and clarity (in SD)."""

    first: int
    last: int
    template: int
    amplitude: float
    clarity: float


def line_weights(lines: Array, free: Array, covariance: Array) -> Array:
    """Weights (t, m) that give the amplitude of each template (t, m) in a profile, whatever `free` does."""
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    across, _ = np.linalg.qr(white @ free)
    of_lines = white @ lines.T
    of_lines -= across @ (across.T @ of_lines)
    return np.asarray((of_lines / np.maximum((of_lines**2).sum(axis=0), 1e-12)).T @ white)


def amplitude_spread(weights: Array, x_mm: Array, noise: Noise, soft: Array, most_bins: int) -> Array:
    """Standard deviation (t, most_bins) of the mean amplitude over 1, 2, … bins."""
    alike = ((weights @ soft) ** 2).sum(axis=1)
    return np.sqrt(noise.of_weighted(weights, x_mm, most_bins) + alike[:, None])


def clearest(amplitudes: Array, spread: Array, least_bins: int) -> Stretch | None:
    """The stretch of at least so many bins with the largest mean amplitude over its standard deviation.

    Parameters
    ----------
    amplitudes : (t, n)
        Of every template in every bin.
    spread : (t, n or more)
        From `amplitude_spread`.
    """
    templates, count = amplitudes.shape
    total = np.concatenate([np.zeros((templates, 1)), np.cumsum(amplitudes, axis=1)], axis=1)
    best = None
    for bins in range(min(least_bins, count), count + 1):
        mean = (total[:, bins:] - total[:, :-bins]) / bins
        clarity = mean / spread[:, bins - 1 : bins]
        template, first = np.unravel_index(np.argmax(clarity), clarity.shape)
        if best is None or clarity[template, first] > best.clarity:
            values = float(mean[template, first]), float(clarity[template, first])
            best = Stretch(int(first), int(first) + bins, int(template), *values)
    return best
