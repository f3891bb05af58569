"""What a mean over a length of the interface may err by: pixel noise and the texture of bone together."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Bone between these distances tells the noise [mm].
FROM_MM = 3.2
#: Lengths that texture may have across and along the interface (SD of a Gaussian grain) [mm].
_GRAIN_MM = np.array([0.15, 0.25, 0.4, 0.6, 0.9, 1.3, 1.8])
#: Least standard deviation of a bin: stored numbers are rounded, and no model is perfect.
_LEAST_SD = 0.002


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
        return (
            self.pixel * np.exp(-((lag / self.blur_mm) ** 2) / 4),
            self.texture * np.exp(-((lag / self.across_mm) ** 2) / 4),
        )

    def _shared(self, most_bins: int) -> Array:
        """Part of the texture's variance that is left in a mean over 1, 2, … bins."""
        lag = np.exp(-((np.arange(most_bins) * self.bin_mm / self.along_mm) ** 2) / 4)
        counts = np.arange(1, most_bins + 1)
        share = np.maximum(1 - np.arange(most_bins)[None, :] / counts[:, None], 0)
        return np.asarray((2 * share @ lag - lag[0]) / counts)

    def of_mean(self, x_mm: Array, bins: int) -> Array:
        """Covariance (m, m) of the mean profile over so many neighbouring bins."""
        pixel, texture = self._across(x_mm)
        return pixel / bins + texture * self._shared(bins)[-1] + np.eye(len(x_mm)) * _LEAST_SD**2 / bins

    def of_weighted(self, weights: Array, x_mm: Array, most_bins: int) -> Array:
        """Variance (t, most_bins) of the mean of weighted profiles (t, m) over 1, 2, … bins."""
        pixel, texture = self._across(x_mm)
        pixel = pixel + np.eye(len(x_mm)) * _LEAST_SD**2
        own, shared = (((weights @ part) * weights).sum(axis=1) for part in (pixel, texture))
        counts = np.arange(1, most_bins + 1)
        return np.asarray(own[:, None] / counts + shared[:, None] * self._shared(most_bins))


def noise_of(zones: list[Array], x_mm: Array, bin_mm: float, pixel_mm: float) -> Noise:
    """Noise from the bone beside an interface.

    Parameters
    ----------
    zones : list of (n, m)
        Mean exposure of neighbouring bins of each zone, without gaps.
    pixel_mm
        Of the film.

    Notes
    -----
    From each bin its own straight line, and from each zone its mean profile, are taken off. What neighbouring
    bins share is texture: its grain is the one that follows the covariances at lags of 1 to 4 bins and up to
    2 mm across best. What is left at lag 0 is the pixels' own.
    """
    bone = x_mm >= FROM_MM
    step, width = float(x_mm[1] - x_mm[0]), int(bone.sum())
    line, _ = np.linalg.qr(np.column_stack([np.ones(width), x_mm[bone]]))
    reach = min(round(2.0 / step) + 1, width - 1)
    products, pairs = np.zeros((5, reach)), np.zeros((5, reach))
    for bins in zones:
        field = bins[:, bone]
        field = field - field.mean(axis=0)
        field = field - (field @ line) @ line.T
        for j in range(min(5, len(field) - 1)):
            for i in range(reach):
                first, second = field[: len(field) - j, : width - i], field[j:, i:]
                products[j, i] += (first * second).sum()
                pairs[j, i] += (len(field) - 1) / len(field) * first.size
    if not pairs[0, 0]:
        return Noise(_LEAST_SD**2, 0.0, 0.4, 1.0, pixel_mm / 2, bin_mm)
    measured = products / np.maximum(pairs, 1)
    best = (np.inf, 0.0, 0.4, 1.0)
    lag = np.arange(reach) * step
    weight = pairs[1:] / max(pairs.max(), 1)
    for across in _GRAIN_MM:
        for along in _GRAIN_MM:
            model = np.outer(
                np.exp(-((np.arange(1, 5) * bin_mm / along) ** 2) / 4), np.exp(-((lag / across) ** 2) / 4)
            )
            model = model - model.mean(axis=1, keepdims=True) * 0.5
            size = max(float((weight * model * measured[1:]).sum() / (weight * model**2).sum()), 0.0)
            misfit = float((weight * (measured[1:] - size * model) ** 2).sum())
            if misfit < best[0]:
                best = (misfit, size, across, along)
    texture = min(best[1], 1.2 * measured[0, 0])
    pixel = max(measured[0, 0] * 1.1 - texture, 0.1 * measured[0, 0], _LEAST_SD**2)
    return Noise(float(pixel), float(texture), float(best[2]), float(best[3]), pixel_mm / 2, bin_mm)
