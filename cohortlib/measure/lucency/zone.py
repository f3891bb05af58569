"""All zones of an outline together: is there a line, from where to where, how wide, or can it not be told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.measure.lucency.appearance import TRIED_MM, Basis, basis, fit_appearance
from cohortlib.measure.lucency.noise import Noise
from cohortlib.measure.lucency.scan import Stretch, clearest, ends
from cohortlib.measure.lucency.shapes import Lines, blur_matrix, blurred, line_cells
from cohortlib.measure.lucency.spread import (
    alike,
    line_weights,
    modelled_spread,
    products,
    spread_of,
)
from cohortlib.measure.lucency.texture import noise_of
from cohortlib.measure.lucency.width import Width, fit_width

Array = NDArray[np.float64]

#: No line is shorter than this [mm].
_LEAST_MM = 3.0
_COARSE = line_cells(TRIED_MM, np.zeros(1))
#: Whether a line would be seen is asked of these: from 1 to 3 mm, in both shapes.
_ASKED = (_COARSE.width_mm >= 1.0) & (_COARSE.width_mm <= 3.0)
_FINE = line_cells(np.arange(0.2, 5.01, 0.05), np.array([0.0, 0.3, 0.6, 1.0]))


class Seen(NamedTuple):
    """What is seen of a line in one zone.

    Attributes
    ----------
    clarity
        How many standard deviations the clearest stretch stands out.
    contrast_sd
        Standard deviation of the contrast of a line of 1 to 3 mm over half of the zone.
    first, last
        Bins first … last − 1 have the line.
    width
        Of the line.
    """

    clarity: float
    contrast_sd: float
    first: int
    last: int
    width: Width


class _Model(NamedTuple):
    x_mm: Array
    basis: Basis
    coarse: Lines
    fine: Lines


def lines_seen(
    zones: Mapping[str, Array],
    x_mm: Array,
    *,
    bin_mm: float,
    pixel_mm: float,
    log_step: float,
    clear: float,
) -> dict[str, Seen]:
    """What is seen of a line in every zone of an outline.

    Parameters
    ----------
    zones
        Name → (n, m): mean exposure of the bins that are seen.
    x_mm : (m,)
        Distance outside the metal.
    bin_mm, pixel_mm
        Length of a bin, and of a pixel.
    log_step
        Log exposure from bone to metal.
    clear
        A width is fitted from this clarity.
    """
    if not zones:
        return {}
    noises = {
        name: noise_of(rows, [zones[k] for k in zones if k != name], x_mm, bin_mm=bin_mm, pixel_mm=pixel_mm)
        for name, rows in zones.items()
    }
    model = _model(zones, noises, x_mm, 1 - np.exp(-log_step))
    least = int(np.ceil(_LEAST_MM / bin_mm))
    free, soft = model.basis
    weights, series, modelled, sums = {}, {}, {}, {}
    for name, rows in zones.items():
        covariance = noises[name].of_mean(x_mm, least) + soft @ soft.T
        weights[name] = line_weights(model.coarse.line, free, covariance)
        series[name] = (rows @ weights[name].T).T
        modelled[name] = modelled_spread(weights[name], x_mm, noises[name], soft, len(rows))
        sums[name] = products(series[name], clearest(series[name], modelled[name], least))
    seen = {}
    for name, rows in zones.items():
        others = [sums[k] for k in zones if k != name]
        spread = spread_of(sums[name], others, modelled[name], alike(weights[name], soft))
        stretch = clearest(series[name], spread, least)
        found = _Found(stretch, float(spread[_ASKED, max(len(rows) // 2, 1) - 1].mean()))
        seen[name] = _measured(rows, found, model, noises[name], least, clear)
    return seen


class _Found(NamedTuple):
    stretch: Stretch
    contrast_sd: float


def _measured(rows: Array, found: _Found, model: _Model, noise: Noise, least: int, clear: float) -> Seen:
    """The width over the clearest stretch, the ends with that width, and the width between these ends."""
    free, soft = model.basis
    first, last = found.stretch.first, found.stretch.last
    width = Width(np.nan, np.nan, np.nan, "", 0)
    if found.stretch.clarity >= clear:
        small = noise.of_mean(model.x_mm, least) + soft @ soft.T
        for _ in range(2):
            covariance = noise.of_mean(model.x_mm, last - first) + soft @ soft.T
            width = fit_width(rows[first:last].mean(axis=0), model.fine, free, covariance)
            weights = line_weights(model.fine.line[[width.template]], free, small)
            first, last = ends(rows @ weights[0], least)
    return Seen(found.stretch.clarity, found.contrast_sd, first, last, width)


def _model(zones: Mapping[str, Array], noises: Mapping[str, Noise], x_mm: Array, step: float) -> _Model:
    small = 1e-6 * np.eye(len(x_mm))
    covariances = [noises[name].of_mean(x_mm, len(rows)) + small for name, rows in zones.items()]
    means = np.array([rows.mean(axis=0) for rows in zones.values()])
    appearance = fit_appearance(means, x_mm, covariances, step)
    blur = blur_matrix(x_mm, appearance.sigma_mm)
    return _Model(
        x_mm,
        basis(x_mm, appearance, step),
        blurred(_COARSE, blur),
        blurred(_FINE, blur),
    )
