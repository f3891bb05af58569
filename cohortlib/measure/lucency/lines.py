"""One row a zone: the width and extent of the radiolucent line, or why there is no value."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.image import Radiograph
from cohortlib.measure.lucency.appearance import TRIED_MM, Basis, basis, fit_appearance
from cohortlib.measure.lucency.exposure import exposure, noise_over_step
from cohortlib.measure.lucency.interface import Strip, film_strip
from cohortlib.measure.lucency.noise import Noise, noise_of
from cohortlib.measure.lucency.scan import amplitude_spread, clearest, line_weights
from cohortlib.measure.lucency.shapes import Lines, blur_matrix, blurred, line_cells
from cohortlib.measure.lucency.width import fit_width

Array = NDArray[np.float64]

LUCENCY_COLUMNS = (
    "zone",
    "state",
    "width_mm",
    "sd",
    "extent_percent",
    "contrast",
    "clarity",
    "method",
    "n_profiles",
    "note",
)
#: A stretch counts as a line when it stands out by so many standard deviations of what noise and texture
#: make of it. The clearest stretch of a zone without a line does so in one of a hundred zones (tried on
#: invented patches: tests/simulations/lucency_over_noise.py).
LEAST_CLARITY = 6.8
#: Profiles are averaged over this length of the interface, and a line is no shorter than that [mm].
_BIN_MM, _LEAST_LENGTH_MM = 0.6, 3.0
#: A zone is assessable where a line of 1.2 mm over 10 mm would be seen at this contrast (usual about a cup).
_LEAST_CONTRAST, _ASKED_LENGTH_MM, _ASKED_TEMPLATE = 0.185, 10.0, 3
#: Noise of a pixel in bone, as part of the step from bone to metal; beyond it nothing is asked of a film.
_MOST_NOISE = 0.045
#: From this share of its zone a line is complete: its ends fade.
_COMPLETE_PERCENT = 90.0
_COARSEST_MM, _LEAST_BINS, _LEAST_SEEN = 0.45, 5, 0.5
_FINE = line_cells(np.arange(0.2, 5.01, 0.05), np.array([0, 0.3, 0.6, 1.0]))
_NOTHING = dict.fromkeys(("width_mm", "sd", "extent_percent", "contrast", "clarity"), np.nan)


def radiolucent_lines(
    radiograph: Radiograph, outline_mm: ArrayLike, zones: Mapping[str, ArrayLike], *, reach_mm: float = 2.0
) -> pd.DataFrame:
    """Radiolucent lines along an implant's edge, zone by zone.

    Parameters
    ----------
    radiograph
        A film with a spacing.
    outline_mm : (n, 2)
        Points in order along the metal's edge, in millimetres on the film (x to the right, y up).
    zones
        Name → polygon (k, 2) in the same millimetres, or (n,) true for the outline's points in it.
    reach_mm
        How far the metal's edge may lie from the outline.

    Returns
    -------
    DataFrame
        One row a zone: zone, state (of `tables.ZONE_STATES`; complete from 90 % of the zone), width_mm (mean
        over the line's length, at the film: not corrected for magnification), sd (of the width [mm]),
        extent_percent (of the zone's length), contrast (log exposure of line against bone, at its darkest),
        clarity (how many standard deviations the clearest stretch stands out), method (shape of the line),
        n_profiles (bins of 0.6 mm that were used), note (why a zone is not assessable). Without a line
        the extent is 0 and there is no width; what is not assessable has no value at all.

    Raises
    ------
    StudyError
        If the outline is no row of points, or no zone is named.

    Notes
    -----
    The film is laid straight along the metal's edge and averaged over short lengths. In exposure, where
    blur is linear, each mean profile is metal + bone with a slope + a dark layer, blurred by what the
    metal's edge itself tells. The layer is a slit of even depth or the shell about round metal whose depth
    falls like a root; a bright margin behind it is allowed for. Noise and trabecular texture are read off
    the bone further out, with how far they reach, so that the clarity of any length is known.

    What looks like a line because it lies beside bright metal is none: it is part of the blurred edge, and
    the model knows it. A line of 0.3 to 0.5 mm may be missed. The grade of a reader stands beside this
    number, never below it.

    References
    ----------
    Zones and their meaning: DeLee JG, Charnley J, Clin Orthop Relat Res 1976;121:20-32; Gruen TA et al.,
    Clin Orthop Relat Res 1979;141:17-27. The measurement has no published source.
    """
    outline = _checked(outline_mm, zones)
    names = [str(name) for name in zones]
    if radiograph.spacing_mm is None:
        return _refused(names, "the film has no scale")
    if max(radiograph.spacing_mm) > _COARSEST_MM:
        return _refused(names, f"pixels of {max(radiograph.spacing_mm):.2f} mm are too coarse")
    strip = film_strip(radiograph, outline, {str(k): np.asarray(v) for k, v in zones.items()}, reach_mm)
    grain = noise_over_step(strip.grey, strip.x_mm)
    if grain > _MOST_NOISE:
        return _refused(names, f"noise: {100 * grain:.0f} % of the step from bone to metal")
    grey, log_step = exposure(strip.grey, strip.x_mm)
    bins, bin_mm = _bins(strip, grey)
    good = {name: rows[np.isfinite(rows).all(axis=1)] for name, rows in bins.items()}
    usable = [
        name
        for name, rows in good.items()
        if len(rows) >= max(_LEAST_BINS, _LEAST_SEEN * len(bins[name])) and len(bins[name])
    ]
    why = {name: _unseen(bins[name]) for name in names if name not in usable}
    if not usable:
        return pd.DataFrame(
            [_not_assessable(name, why[name]) for name in names], columns=list(LUCENCY_COLUMNS)
        )
    noise = noise_of([good[name] for name in usable], strip.x_mm, bin_mm, strip.step_mm)
    model = _model(strip.x_mm, {name: good[name] for name in usable}, noise, 1 - np.exp(-log_step))
    rows = [
        _not_assessable(name, why[name])
        if name in why
        else _zone_row(name, good[name], len(bins[name]), model, noise, bin_mm)
        for name in names
    ]
    return pd.DataFrame(rows, columns=list(LUCENCY_COLUMNS))


class _Model(NamedTuple):
    """Places, what a profile is made of, and templates of lines: a few to find them, many to measure them."""

    x_mm: Array
    basis: Basis
    tried: Lines
    fine: Lines


def _model(x_mm: Array, zones: Mapping[str, Array], noise: Noise, step: float) -> _Model:
    small = 1e-6 * np.eye(len(x_mm))
    covariances = [noise.of_mean(x_mm, len(rows)) + small for rows in zones.values()]
    means = np.array([rows.mean(axis=0) for rows in zones.values()])
    appearance = fit_appearance(means, x_mm, covariances, step)
    blur = blur_matrix(x_mm, appearance.sigma_mm)
    tried = blurred(line_cells(TRIED_MM, np.zeros(1)), blur)
    return _Model(x_mm, basis(x_mm, appearance, step), tried, blurred(_FINE, blur))


def _bins(strip: Strip, grey: Array) -> tuple[dict[str, Array], float]:
    """Mean exposure of short lengths of each zone; NaN where no metal edge is seen or the film ends."""
    rows_each = max(1, round(_BIN_MM / strip.step_mm))
    bins = {}
    for name, member in strip.zones.items():
        inside = np.flatnonzero(member)
        rows = inside[: len(inside) // rows_each * rows_each].reshape(-1, rows_each)
        means = grey[rows].mean(axis=1)
        means[strip.edge_found[rows].mean(axis=1) <= _LEAST_SEEN] = np.nan
        bins[name] = means
    return bins, rows_each * strip.step_mm


def _zone_row(
    name: str, rows: Array, n_bins: int, model: _Model, noise: Noise, bin_mm: float
) -> dict[str, object]:
    least = min(int(np.ceil(_LEAST_LENGTH_MM / bin_mm)), len(rows))
    free, soft = model.basis
    covariance = noise.of_mean(model.x_mm, least) + soft @ soft.T
    weights = line_weights(model.tried.line, free, covariance)
    spread = amplitude_spread(weights, model.x_mm, noise, soft, len(rows))
    asked = min(int(_ASKED_LENGTH_MM / bin_mm), len(rows))
    needed = LEAST_CLARITY * float(spread[_ASKED_TEMPLATE, asked - 1])
    if needed > _LEAST_CONTRAST:
        return _not_assessable(name, f"noise: a line of 1 mm would need a contrast of {needed:.2f}")
    found = clearest((rows @ weights.T).T, spread, least)
    if found is None or found.clarity < LEAST_CLARITY:
        clarity = np.nan if found is None else found.clarity
        nothing = {"zone": name, "state": "none", "method": "", "n_profiles": len(rows), "note": ""}
        return {**_NOTHING, **nothing, "extent_percent": 0.0, "clarity": clarity}
    of_line = noise.of_mean(model.x_mm, found.last - found.first) + soft @ soft.T
    width = fit_width(rows[found.first : found.last].mean(axis=0), model.fine, free, of_line)
    own = line_weights(model.fine.line[[width.template]], free, covariance)
    own_spread = amplitude_spread(own, model.x_mm, noise, soft, len(rows))
    whole = clearest((rows @ own.T).T, own_spread, least) or found
    extent = 100.0 * (whole.last - whole.first) / n_bins
    return {
        "zone": name,
        "state": "complete" if extent >= _COMPLETE_PERCENT else "incomplete",
        "width_mm": width.mm,
        "sd": width.sd_mm,
        "extent_percent": extent,
        "contrast": width.amplitude,
        "clarity": found.clarity,
        "method": f"profiles across the interface, {width.shape}",
        "n_profiles": len(rows),
        "note": "",
    }


def _unseen(bins: Array) -> str:
    if not len(bins):
        return "the zone holds no part of the outline"
    off = float(np.isnan(bins).all(axis=1).mean()) if np.isnan(bins).any() else 0.0
    return f"the edge of the metal is not seen along {100 * off:.0f} % of the zone"


def _not_assessable(name: str, note: str) -> dict[str, object]:
    kept = {"zone": name, "state": "not assessable", "method": "", "n_profiles": 0, "note": note}
    return {**_NOTHING, **kept}


def _refused(names: list[str], note: str) -> pd.DataFrame:
    return pd.DataFrame([_not_assessable(name, note) for name in names], columns=list(LUCENCY_COLUMNS))


def _checked(outline_mm: ArrayLike, zones: Mapping[str, ArrayLike]) -> Array:
    outline = np.asarray(outline_mm, dtype=float)
    if outline.ndim != 2 or outline.shape[1:] != (2,) or len(outline) < 8 or not np.isfinite(outline).all():
        raise study_error(
            column="outline_mm",
            found=f"an array of shape {outline.shape}",
            expected="at least eight finite points (x, y) in order along the edge",
            remedy="Give the outline of the fitted component",
        )
    if not zones:
        raise study_error(
            column="zones",
            found="no zone",
            expected="at least one zone by its name",
            remedy="Give the zones of the component, such as those of measure.zones",
        )
    return outline
