"""Intervals for any statistic when several rows belong to one patient: patients are drawn, not rows."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.stats.inputs import counted, sentence_of

#: Draws of patients; more change a 95 % bound by less than it is rounded in print.
RESAMPLES = 2000
#: With fewer patients than this the interval depends much on single patients; a note says so.
FEW = 20
#: A studentised interval this many times as wide as that of the percentiles is a sign of one odd patient.
WIDEST = 3.0
#: Weight rows held in memory at a time.
_BLOCK = 20_000

Array = NDArray[np.float64]
Statistic = Callable[[Array], Array]


class Interval(NamedTuple):
    """The statistic on the data and its bounds, each of shape (m,); what to say of the draws."""

    estimate: Array
    low: Array
    high: Array
    note: str


def check_draws(cluster: str | None, seed: int | None) -> int:
    """The seed, once it is sure that patients can be drawn."""
    if cluster is None or seed is None:
        raise study_error(
            column="cluster, seed",
            found=f"{cluster}, {seed}",
            expected="the column of the patient and a number to start the draws from",
            remedy="Give both, or choose an interval that draws nothing",
        )
    return int(seed)


def cluster_bootstrap(statistic: Statistic, *, clusters: int, seed: int, level: float = 0.95) -> Interval:
    """Studentised bootstrap interval, drawing whole patients with replacement.

    Parameters
    ----------
    statistic
        Takes weights of shape (draws, clusters), how often each patient is in the draw, and returns
        values of shape (draws, m). With all weights one it is the statistic on the data. Give it on a
        scale without bounds where its spread is even (Fisher's z for a correlation, the logarithm for a
        standard deviation) and turn the bounds back afterwards.
    clusters
        Number of patients.
    seed
        Of the draws: the same seed gives the same interval.
    level
        Of the interval.

    Returns
    -------
    Interval
        NaN bounds where the data have no spread or where half the draws have no value. The note
        counts draws without a value, says when patients are few and when percentiles were taken.

    Notes
    -----
    Every draw gives t = (its value − the data's value) / its standard error; the interval is the data's
    value minus the quantiles of t times the data's standard error. Standard errors leave out one patient
    at a time (jackknife), within each draw too. Percentile and BCa intervals are simpler, but covered 84
    to 92 % instead of 95 % with 12 to 40 patients when tried on reader differences; this one 92 to 95 %.

    Where a single patient makes nearly all the spread (readers agree to a hair, but for one film), draws
    without that patient have next to no standard error, and t knows no bounds. The interval is then more
    than `WIDEST` times as wide as that of the percentiles, which are given instead, and the note says so.
    Among 200 simulated limits of agreement with normal differences that happened to none of 30 patients,
    one of 20, and one in twenty of 12.

    References
    ----------
    Efron B, Tibshirani RJ. An Introduction to the Bootstrap. Chapman & Hall 1993, chapter 12.
    Field CA, Welsh AH. Bootstrapping clustered data. J R Stat Soc B 2007;69:369-90.
    Ukoumunne OC et al. Non-parametric bootstrap confidence intervals for the intraclass correlation
    coefficient. Stat Med 2003;22:3805-21.
    """
    whole = np.ones((1, clusters))
    drawn = np.random.default_rng(seed).multinomial(clusters, np.full(clusters, 1 / clusters), size=RESAMPLES)
    block = max(1, _BLOCK // clusters)
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate, error = statistic(whole)[0], _jackknife_error(statistic, whole)[0]
        parts = [drawn[start : start + block].astype(float) for start in range(0, RESAMPLES, block)]
        values = np.concatenate([statistic(part) for part in parts])
        errors = np.concatenate([_jackknife_error(statistic, part) for part in parts])
        studentised = (values - estimate) / errors
    usable = np.isfinite(studentised)
    tails = [(1 - level) / 2, (1 + level) / 2]
    low, high = np.full((2, estimate.size), np.nan)
    by_percentiles = False
    for column in range(estimate.size):
        chosen = usable[:, column]
        if chosen.sum() < RESAMPLES / 2 or not error[column] > 0:
            continue
        lower_tail, upper_tail = np.quantile(studentised[chosen, column], tails)
        low[column] = estimate[column] - upper_tail * error[column]
        high[column] = estimate[column] - lower_tail * error[column]
        plain = np.quantile(values[chosen, column], tails)
        if high[column] - low[column] > WIDEST * (plain[1] - plain[0]):
            (low[column], high[column]), by_percentiles = plain, True
    note = sentence_of(
        counted(int((~usable).any(axis=1).sum()), "draw", "without a value"),
        f"drawn from fewer than {FEW} patients: an unsteady interval" if clusters < FEW else "",
        "no interval where the draws do not differ or have no value" if np.isnan(low).any() else "",
        "one patient makes most of the spread: interval by percentiles, likely too narrow"
        if by_percentiles
        else "",
    )
    return Interval(estimate, low, high, note)


def _jackknife_error(statistic: Statistic, weights: Array) -> Array:
    """Standard error of the statistic in each draw, from leaving out one drawn patient at a time."""
    draws, clusters = weights.shape
    present = weights > 0
    left_out = weights[:, None, :] - np.eye(clusters)
    values = statistic(left_out[present])
    without_one = np.zeros((draws, clusters, values.shape[1]))
    without_one[present] = values
    share = weights[:, :, None] / clusters
    centre = (share * without_one).sum(axis=1, keepdims=True)
    return np.sqrt((clusters - 1) * (share * (without_one - centre) ** 2).sum(axis=1))
