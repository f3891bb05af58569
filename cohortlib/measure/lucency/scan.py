"""Where along a zone a line is seen: the stretch of the interface that says so most clearly."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Stretch(NamedTuple):
    """Bins first … last − 1 of a zone, the template that fits there, its amplitude and clarity (in SD)."""

    first: int
    last: int
    template: int
    amplitude: float
    clarity: float


def clearest(amplitudes: Array, spread: Array, least_bins: int) -> Stretch:
    """The stretch of at least so many bins with the largest mean amplitude over its standard deviation.

    Parameters
    ----------
    amplitudes : (t, n)
        Of every template in every bin.
    spread : (t, n)
        Standard deviation of the mean amplitude over 1, 2, … bins.
    """
    templates, count = amplitudes.shape
    total = np.concatenate([np.zeros((templates, 1)), np.cumsum(amplitudes, axis=1)], axis=1)
    best = Stretch(0, 0, 0, 0.0, -np.inf)
    for bins in range(min(least_bins, count), count + 1):
        mean = (total[:, bins:] - total[:, :-bins]) / bins
        clarity = mean / spread[:, bins - 1 : bins]
        template, first = np.unravel_index(np.argmax(clarity), clarity.shape)
        if clarity[template, first] > best.clarity:
            values = float(mean[template, first]), float(clarity[template, first])
            best = Stretch(int(first), int(first) + bins, int(template), *values)
    return best


def ends(amplitudes: Array, least_bins: int) -> tuple[int, int]:
    """First and last + 1 bin of the run of bins (n,) that a line of one amplitude follows best.

    Notes
    -----
    Least squares of a series that is `a` within the run and 0 beside it: the run with the largest
    ``(sum)² / bins``.
    """
    count = len(amplitudes)
    total = np.concatenate([[0.0], np.cumsum(amplitudes)])
    best, run = -np.inf, (0, count)
    for bins in range(min(least_bins, count), count + 1):
        gain = np.maximum(total[bins:] - total[:-bins], 0.0) ** 2 / bins
        first = int(np.argmax(gain))
        if gain[first] > best:
            best, run = float(gain[first]), (first, first + bins)
    return run
