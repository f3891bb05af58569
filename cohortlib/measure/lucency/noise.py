"""What a mean over a length of the interface may err by: pixel noise and the texture of bone together."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Least standard deviation of a bin: stored numbers are rounded, and no model is perfect.
LEAST_SD = 0.002


def smooth(lag_mm: Array, grain_mm: float) -> Array:
    """Correlation of white noise that was blurred by a Gaussian of this SD."""
    return np.asarray(np.exp(-((lag_mm / grain_mm) ** 2) / 4))


def rough(lag_mm: Array, grain_mm: float) -> Array:
    """Correlation about as long that falls at once: smoothness that may not be there is not relied upon."""
    return np.asarray(np.exp(-lag_mm / (1.5 * grain_mm)))


class Noise(NamedTuple):
    """Noise of a bin of the interface, in exposure over that of bone.

    `pixel` is the variance that neighbours do not share, `texture` the one that they do; grains are their
    standard deviations across and along [mm]; `blur_mm` is over which the pixel noise is shared across.
    """

    pixel: float
    texture: float
    across_mm: float
    along_mm: float
    blur_mm: float
    bin_mm: float

    def _across(self, x_mm: Array) -> tuple[Array, Array]:
        lag = np.abs(x_mm[:, None] - x_mm)
        return self.pixel * smooth(lag, self.blur_mm), self.texture * rough(lag, self.across_mm)

    def _shared(self, most_bins: int) -> Array:
        """Part of the texture's variance that is left in a mean over 1, 2, … bins."""
        lag = smooth(np.arange(most_bins, dtype=np.float64) * self.bin_mm, self.along_mm)
        counts = np.arange(1, most_bins + 1)
        share = np.maximum(1 - np.arange(most_bins)[None, :] / counts[:, None], 0)
        return np.asarray((2 * share @ lag - lag[0]) / counts)

    def of_mean(self, x_mm: Array, bins: int) -> Array:
        """Covariance (m, m) of the mean profile over so many neighbouring bins."""
        pixel, texture = self._across(x_mm)
        return pixel / bins + texture * self._shared(bins)[-1] + np.eye(len(x_mm)) * LEAST_SD**2 / bins

    def of_weighted(self, weights: Array, x_mm: Array, most_bins: int) -> Array:
        """Variance (t, most_bins) of the mean of weighted profiles (t, m) over 1, 2, … bins."""
        pixel, texture = self._across(x_mm)
        pixel = pixel + np.eye(len(x_mm)) * LEAST_SD**2
        own, shared = (((weights @ part) * weights).sum(axis=1) for part in (pixel, texture))
        counts = np.arange(1, most_bins + 1)
        return np.asarray(own[:, None] / counts + shared[:, None] * self._shared(most_bins))
