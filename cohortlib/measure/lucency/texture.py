"""The noise of one zone, read off the bone beside its interface."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cohortlib.measure.lucency.noise import LEAST_SD, Noise, rough, smooth

Array = NDArray[np.float64]

#: Bone from here outwards tells the noise [mm]: few lines reach so far.
_FROM_MM = 3.2
#: How far covariances are followed [mm], and what another zone counts for.
_ACROSS_MM, _ALONG_MM, _OTHERS = 2.0, 4.8, 0.3
#: Lengths that texture may have across and along the interface [mm].
_GRAIN_MM = (0.15, 0.25, 0.4, 0.6, 0.9, 1.3, 1.8)
#: The covariance of what is alike in neither direction, as a grain.
_ALONE_MM = 1e-3


def noise_of(own: Array, others: list[Array], x_mm: Array, *, bin_mm: float, pixel_mm: float) -> Noise:
    """Noise of a zone.

    Parameters
    ----------
    own : (n, m)
        Mean exposure of neighbouring bins of the zone.
    others : list of (n, m)
        The same of the other zones: they count for less, so that a short zone is not alone.
    x_mm : (m,)
        Distance outside the metal.
    bin_mm, pixel_mm
        Length of a bin, and of a pixel.

    Notes
    -----
    From each bin its own straight line, and from each zone its slow course along the interface, are taken
    off; covariances are means of products at each lag. Pixel noise and texture of every grain are put through
    the same, and the sizes and the grain that follow the covariances best (least squares, sizes not below 0)
    are taken.
    """
    bone = x_mm >= _FROM_MM
    step, width = float(x_mm[1] - x_mm[0]), int(bone.sum())
    lags, reach = round(_ALONG_MM / bin_mm) + 1, min(round(_ACROSS_MM / step) + 1, width - 1)
    line, _ = np.linalg.qr(np.column_stack([np.ones(width), x_mm[bone]]))
    products, pairs = np.zeros((lags, reach)), np.zeros((lags, reach))
    for bins, share in [(own, 1.0), *((other, _OTHERS) for other in others)]:
        field = _without_course(bins[:, bone])
        products += share * _products(field - (field @ line) @ line.T, lags, reach)
        pairs += share * np.outer(np.maximum(len(field) - np.arange(lags), 0), width - np.arange(reach))
    measured, weight = products / np.maximum(pairs, 1.0), np.sqrt(pairs / pairs.max())
    apart = np.abs(np.arange(len(own))[:, None] - np.arange(len(own))) * bin_mm
    beside = np.abs(np.arange(width)[:, None] - np.arange(width)) * step
    take = np.eye(width) - line @ line.T

    def across(kernel: Array) -> Array:
        return _at_lags(take @ kernel @ take, reach)

    def along(grain_mm: float) -> Array:
        return _at_lags(_without_course(_without_course(smooth(apart, grain_mm)).T), lags)

    pixel = weight * np.outer(along(_ALONE_MM), across(smooth(beside, pixel_mm / 2)))
    sides, lengths = (
        [across(rough(beside, grain)) for grain in _GRAIN_MM],
        [along(grain) for grain in _GRAIN_MM],
    )
    best, found = np.inf, Noise(LEAST_SD**2, 0.0, _GRAIN_MM[0], _GRAIN_MM[0], pixel_mm / 2, bin_mm)
    for side, across_mm in zip(sides, _GRAIN_MM, strict=True):
        for length, along_mm in zip(lengths, _GRAIN_MM, strict=True):
            parts = _two_sizes(weight * measured, pixel, weight * np.outer(length, side))
            if parts[2] < best:
                best = parts[2]
                sizes = max(parts[0], LEAST_SD**2), max(parts[1], 0.0)
                found = Noise(*sizes, across_mm, along_mm, pixel_mm / 2, bin_mm)
    return found


def _two_sizes(measured: Array, first: Array, second: Array) -> tuple[float, float, float]:
    """Sizes, not below 0, of two covariances that make up a measured one, and the squares that are left."""
    y, a, b = measured.ravel(), first.ravel(), second.ravel()
    aa, bb, ab, ay, by = (float(one @ other) for one, other in ((a, a), (b, b), (a, b), (a, y), (b, y)))
    bound = max(aa * bb - ab**2, 1e-12 * aa * bb, 1e-300)
    sizes = (bb * ay - ab * by) / bound, (aa * by - ab * ay) / bound
    if min(sizes) < 0:
        alone = (max(ay, 0.0) / max(aa, 1e-300), 0.0), (0.0, max(by, 0.0) / max(bb, 1e-300))
        sizes = max(alone, key=lambda pair: pair[0] * ay + pair[1] * by)
    rest = y - sizes[0] * a - sizes[1] * b
    return *sizes, float(rest @ rest)


def _products(field: Array, lags: int, reach: int) -> Array:
    """Sums of products of a field (n, m) with itself, so many bins along and places across further on."""
    size = (len(field) + lags, field.shape[1] + reach)
    power = np.abs(np.fft.rfft2(field, size)) ** 2
    return np.asarray(np.fft.irfft2(power, size)[:lags, :reach])


def _at_lags(covariance: Array, lags: int) -> Array:
    """Mean covariance (lags,) of places so far apart."""
    count = len(covariance)
    return np.array([np.trace(covariance, lag) / max(count - lag, 1) for lag in range(lags)])


def _without_course(field: Array) -> Array:
    """A field (n, m) less the parabola along each of its columns: what is left of bone is its texture."""
    place = np.linspace(-1, 1, len(field))
    columns = np.column_stack([np.ones_like(place), place, place**2])[:, : max(len(field) - 2, 1)]
    course, _ = np.linalg.qr(columns)
    return np.asarray(field - course @ (course.T @ field))
