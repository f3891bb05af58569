"""Limits of agreement: how far two readings of one thing lie apart."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from cohortlib.errors import study_error
from cohortlib.stats.agreement.mean_squares import sums_by_owner, without_rounding
from cohortlib.stats.bootstrap import check_draws, cluster_bootstrap
from cohortlib.stats.inputs import (
    LEAST,
    check_choice,
    check_columns,
    counted,
    identifiers,
    numbers,
    one_row,
    sentence_of,
)

Array = NDArray[np.float64]
LimitsInterval = Literal["Bland-Altman 1986", "exact", "cluster bootstrap"]


def limits_of_agreement(
    table: pd.DataFrame,
    *,
    first: str,
    second: str,
    interval: LimitsInterval = "Bland-Altman 1986",
    multiplier: float = 1.96,
    cluster: str | None = None,
    seed: int | None = None,
) -> pd.DataFrame:
    """Mean difference of two readings and the range that holds 95 % of the differences, with intervals.

    Parameters
    ----------
    table
        Wide: one row a pair of readings of the same thing.
    first, second
        Columns of the two readings, one unit. The difference is first − second.
    interval
        How the intervals of the limits are made. "Bland-Altman 1986": the published approximation.
        "exact": from the noncentral t distribution, better below about 30 pairs. "cluster bootstrap":
        for several pairs of one patient, which are not independent; draws patients.
    multiplier
        Limits lie this many standard deviations from the bias: 1.96, or 2 as first printed in 1986.
    cluster
        Column of the patient; needed by the bootstrap, and else used to count and to warn.
    seed
        Of the bootstrap's draws.

    Returns
    -------
    DataFrame
        One row: bias, sd, lower, upper; bias_ci_low, bias_ci_high, lower_ci_low, lower_ci_high,
        upper_ci_low, upper_ci_high (95 %); n (pairs used), n_missing (pairs that lack a reading),
        n_clusters (empty without `cluster`), method, note. All in the unit of the readings. Fewer than
        three pairs or patients: empty numbers with a note.

    Raises
    ------
    StudyError
        If a column is missing or not numeric, or the bootstrap lacks `cluster` or `seed`.

    Notes
    -----
    lower, upper = bias ∓ multiplier·sd. Bias interval by Student's t. Limits in 1986: standard error
    √(3 sd²/n), t with n − 1 degrees of freedom. Exact: a limit is μ ± zσ, so that
    bias + sd·t′/√n with t′ the quantiles of the noncentral t (n − 1 degrees of freedom, shift z√n).
    Before you trust the limits, plot the differences against the means: if they fan out or slope, one pair
    of limits does not describe them.

    References
    ----------
    Bland JM, Altman DG. Statistical methods for assessing agreement between two methods of clinical
    measurement. Lancet 1986;i:307-10.
    Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. Optom Vis Sci
    2015;92:e71-80.

    Example
    -------
    >>> pairs = pd.DataFrame({"reader_a": [40, 44, 38, 51], "reader_b": [41, 43, 37, 51]})
    >>> limits = limits_of_agreement(pairs, first="reader_a", second="reader_b")
    >>> limits[["bias", "lower", "upper"]].round(2).values.tolist()
    [[0.25, -1.63, 2.13]]
    """
    check_choice("interval", interval, ("Bland-Altman 1986", "exact", "cluster bootstrap"))
    draws_seed = check_draws(cluster, seed) if interval == "cluster bootstrap" else 0
    if not (np.isfinite(multiplier) and multiplier > 0):
        raise study_error(
            column="multiplier",
            found=multiplier,
            expected="a number above zero",
            remedy="Use 1.96 for limits that hold 95 % of the differences",
        )
    check_columns(table, [first, second, *([cluster] if cluster else [])])
    difference = numbers(table, first) - numbers(table, second)
    used = ~np.isnan(difference)
    d, n = difference[used], int(used.sum())
    owners = identifiers(table, cluster)[used] if cluster else np.arange(n).astype(str)
    n_clusters = int(np.unique(owners).size)

    centres, bounds = np.full(3, np.nan), np.full((3, 2), np.nan)
    sd = np.nan
    notes = [counted(int((~used).sum()), "pair", "without a value")]
    if min(n, n_clusters) < LEAST:
        notes.append(f"no estimate from {n} pairs of {n_clusters} clusters")
    else:
        sd = float(np.sqrt(without_rounding(d.var(ddof=1), numbers(table, first))))
        centres = d.mean() + multiplier * sd * np.array([0, -1, 1])
        if interval == "cluster bootstrap":
            bounds, drawn_note = _bootstrap_bounds(d, owners, multiplier, draws_seed)
            notes.append(drawn_note)
        else:
            bounds = _closed_bounds(centres, sd, n, multiplier, exact=interval == "exact")
            if n_clusters < n:
                notes.append("several pairs of one patient: intervals too narrow, draw patients instead")
        if sd == 0:
            notes.append("all differences are equal: was one reading copied from the other?")
    return one_row(
        {
            "bias": centres[0],
            "sd": sd,
            "lower": centres[1],
            "upper": centres[2],
            "bias_ci_low": bounds[0, 0],
            "bias_ci_high": bounds[0, 1],
            "lower_ci_low": bounds[1, 0],
            "lower_ci_high": bounds[1, 1],
            "upper_ci_low": bounds[2, 0],
            "upper_ci_high": bounds[2, 1],
            "n": n,
            "n_missing": int((~used).sum()),
            "n_clusters": n_clusters if cluster else pd.NA,
            "method": f"{first} − {second}, limits at bias ± {multiplier:g} sd; {_NAMES[interval]}",
            "note": sentence_of(*notes),
        }
    ).astype({"n_clusters": "Int64"})


_NAMES = {
    "Bland-Altman 1986": "bias by t, limits by Bland and Altman 1986 (standard error √(3 sd²/n))",
    "exact": "bias by t, limits by noncentral t (Carkeet 2015)",
    "cluster bootstrap": "studentised bootstrap of patients",
}


def _closed_bounds(centres: Array, sd: float, n: int, multiplier: float, *, exact: bool) -> Array:
    half_width = stats.t.ppf(0.975, n - 1) * sd * np.sqrt(np.array([1, 3, 3]) / n)
    bounds = np.column_stack([centres - half_width, centres + half_width])
    if exact:
        shift = multiplier * np.sqrt(n)
        near, far = sd * stats.nct.ppf([0.025, 0.975], n - 1, shift) / np.sqrt(n)
        bounds[1:] = [(centres[0] - far, centres[0] - near), (centres[0] + near, centres[0] + far)]
    return bounds


def _bootstrap_bounds(d: Array, owners: NDArray[np.str_], multiplier: float, seed: int) -> tuple[Array, str]:
    centred = d - d.mean()
    sums = sums_by_owner(np.column_stack([np.ones(d.size), centred, centred**2]), owners)

    def limits(weights: Array) -> Array:
        n, total, squares = (weights @ sums).T
        mean = total / n
        sd = np.sqrt(np.maximum(squares - n * mean**2, 0) / (n - 1))
        return np.stack([mean, mean - multiplier * sd, mean + multiplier * sd], axis=-1)

    drawn = cluster_bootstrap(limits, clusters=len(sums), seed=seed)
    return np.column_stack([drawn.low, drawn.high]) + d.mean(), drawn.note
