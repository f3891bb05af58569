"""One row a zone: the width and extent of the radiolucent line, or why there is no value."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm

from cohortlib.image import Radiograph
from cohortlib.measure.lucency.appearance import TRIED_MM, Appearance, Basis, basis, fit_appearance
from cohortlib.measure.lucency.exposure import exposure
from cohortlib.measure.lucency.interface import Strip, film_strip
from cohortlib.measure.lucency.noise import Noise, noise_of
from cohortlib.measure.lucency.scan import amplitude_spread, clearest, line_weights
from cohortlib.measure.lucency.shapes import blur_matrix, blurred, line_cells
from cohortlib.measure.lucency.width import fit_width

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

COLUMNS = ("zone", "state", "width_mm", "sd", "extent_percent", "contrast", "method", "n_profiles", "note")
BIN_MM = 0.6
FINE = line_cells(np.arange(0.2, 5.01, 0.05), np.array([0, 0.3, 0.6, 1.0]))
LEAST_LENGTH_MM = 3.0


def radiolucent_lines(
    radiograph, outline_mm, zones, *, false_positive_rate=0.02, least_contrast=0.1, reach_mm=2.0, debug=None
):
    strip = film_strip(radiograph, np.asarray(outline_mm, float), zones, reach_mm)
    grey, log_step = exposure(strip.grey, strip.x_mm)
    n_bin = max(1, round(BIN_MM / strip.step_mm))
    per_zone = {}
    x = strip.x_mm
    for name, rows in strip.zones.items():
        idx = np.flatnonzero(rows)
        count = len(idx) // n_bin
        idx = idx[: count * n_bin].reshape(count, n_bin)
        bins = grey[idx].mean(axis=1)
        ok = strip.edge_found[idx].mean(axis=1) > 0.5
        bins[~ok] = np.nan
        per_zone[name] = bins
    bin_mm = n_bin * strip.step_mm
    good = {k: v[np.isfinite(v).all(axis=1)] for k, v in per_zone.items()}
    noise = noise_of([g for g in good.values() if len(g) > 4], x, bin_mm, strip.step_mm); noises = dict.fromkeys(good, noise)
    usable = [k for k in good if len(good[k]) >= 5]
    step = 1 - np.exp(-log_step)
    m = len(x)
    cov = {k: noises[k].of_mean(x, len(good[k])) for k in usable}
    app = fit_appearance(
        np.array([good[k].mean(0) for k in usable]), x, [cov[k] + 1e-6 * np.eye(m) for k in usable], step
    )
    blur = blur_matrix(x, app.sigma_mm)
    bas = basis(x, app, step)
    tried = blurred(line_cells(TRIED_MM, np.zeros(1)), blur)
    fine = blurred(FINE, blur)
    rows = []
    least_bins = int(np.ceil(LEAST_LENGTH_MM / bin_mm))
    for name in per_zone:
        v = good[name]
        if name not in usable:
            rows.append((name, "not assessable", np.nan, np.nan, np.nan, np.nan, "", 0, "x"))
            continue
        no = noises[name]
        c = no.of_mean(x, least_bins) + bas.soft @ bas.soft.T
        w = line_weights(tried.line, bas.free, c)
        spread = amplitude_spread(w, x, no, bas.soft, len(v))
        a = v @ w.T
        st = clearest(a.T, spread, least_bins)
        seg = v[st.first : st.last].mean(0)
        cs = no.of_mean(x, st.last - st.first) + bas.soft @ bas.soft.T
        fw = fit_width(seg, fine, bas.free, cs)
        t = fine.line[fw.template][None]
        w2 = line_weights(t, bas.free, c)
        sp2 = amplitude_spread(w2, x, no, bas.soft, len(v))
        st2 = clearest((v @ w2.T).T, sp2, least_bins)
        ext = 100 * (st2.last - st2.first) / len(per_zone[name])
        rows.append(
            (
                name,
                "?",
                fw.mm,
                fw.sd_mm,
                ext,
                fw.amplitude,
                fw.shape,
                st.clarity,
                f"{spread[3, -1]:.4f} {spread[3, least_bins]:.4f} {app} {log_step:.2f} {[round(float(q),5) for q in noise]}",
            )
        )
        if debug is not None:
            debug[name] = dict(x=x, v=v, seg=seg, a=a, app=app, st=st, st2=st2, fw=fw, bas=bas)
    return pd.DataFrame(rows, columns=list(COLUMNS))
