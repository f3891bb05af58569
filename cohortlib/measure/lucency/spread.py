"""How much the amplitude of a line, averaged over a length of the interface, differs where there is none."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cohortlib.measure.lucency.noise import Noise
from cohortlib.measure.lucency.scan import Stretch

Array = NDArray[np.float64]

#: Bins along which amplitudes are alike at most, and what another zone of the outline counts for.
_LAGS, _OTHERS = 10, 0.3
#: The spread that is seen never counts for less than this part of the modelled one.
_LEAST_OF_MODEL = 0.6


def line_weights(lines: Array, free: Array, covariance: Array) -> Array:
    """Weights (t, m) that give the amplitude of each template (t, m) in a profile, whatever `free` does."""
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    across, _ = np.linalg.qr(white @ free)
    of_lines = white @ lines.T
    of_lines -= across @ (across.T @ of_lines)
    return np.asarray((of_lines / np.maximum((of_lines**2).sum(axis=0), 1e-12)).T @ white)


def alike(weights: Array, soft: Array) -> Array:
    """Variance (t, 1) of an amplitude that all bins of a zone share: of what `soft` may deviate by."""
    return np.asarray(((weights @ soft) ** 2).sum(axis=1, keepdims=True))


def modelled_spread(weights: Array, x_mm: Array, noise: Noise, soft: Array, most_bins: int) -> Array:
    """Standard deviation (t, most_bins) of the mean amplitude over 1, 2, … bins, from noise and texture."""
    return np.sqrt(noise.of_weighted(weights, x_mm, most_bins) + alike(weights, soft))


def products(amplitudes: Array, stretch: Stretch) -> tuple[Array, Array]:
    """Sums of products (t, lags) of amplitudes about their means in and beside a stretch; their number."""
    count = amplitudes.shape[1]
    inside = np.zeros(count, dtype=bool)
    inside[stretch.first : stretch.last] = True
    parts = [part for part in (inside, ~inside) if part.any()]
    rest = amplitudes.copy()
    for part in parts:
        rest[:, part] -= rest[:, part].mean(axis=1, keepdims=True)
    sums, pairs = np.zeros((len(rest), _LAGS)), np.zeros(_LAGS)
    for lag in range(min(_LAGS, count)):
        sums[:, lag] = (rest[:, : count - lag] * rest[:, lag:]).sum(axis=1)
        pairs[lag] = (count - lag) * max(count - len(parts), 1) / count
    return sums, pairs


def spread_of(
    own: tuple[Array, Array],
    others: list[tuple[Array, Array]],
    modelled: Array,
    shared: Array,
) -> Array:
    """Standard deviation (t, n) of the mean amplitude over 1, 2, … n bins of a zone.

    Parameters
    ----------
    own, others
        From `products`, of the zone and of the other zones of its outline.
    modelled : (t, n)
        From `modelled_spread`.
    shared : (t, 1)
        From `alike`.

    Notes
    -----
    What the series of amplitudes itself shows, its covariance followed to the lag where it first falls below
    5 % of the variance. A short series shows little: where it shows less than noise and texture should make,
    the geometric mean of both is taken, and never less than 0.6 of the modelled one.
    """
    sums = own[0] + _OTHERS * sum((other[0] for other in others), np.zeros_like(own[0]))
    pairs = own[1] + _OTHERS * sum((other[1] for other in others), np.zeros_like(own[1]))
    lags = sums / np.maximum(pairs, 1e-12)
    low = np.cumsum(lags < 0.05 * lags[:, :1], axis=1) > 0
    lags = np.where(low, 0.0, lags)
    counts = np.arange(1, modelled.shape[1] + 1)
    share = np.maximum(1 - np.arange(_LAGS)[:, None] / counts, 0.0)
    share[1:] *= 2
    seen = np.sqrt(lags @ (share / counts) + shared)
    return np.maximum(np.maximum(seen, _LEAST_OF_MODEL * modelled), np.sqrt(seen * modelled))
