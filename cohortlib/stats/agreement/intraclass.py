"""Intraclass correlation: how much of the difference between readings is difference between hips."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from cohortlib.stats.agreement.mean_squares import (
    MeanSquares,
    Readings,
    mean_squares,
    parts_of_squares,
    readings_by_rater,
    summed_mean_squares,
    sums_by_owner,
)
from cohortlib.stats.bootstrap import check_draws, cluster_bootstrap
from cohortlib.stats.inputs import LEAST, check_choice, counted, sentence_of

Array = NDArray[np.float64]
IntraclassInterval = Literal["F", "cluster bootstrap"]

#: The forms of Shrout and Fleiss, in a clinic's words.
MEANING = {
    "ICC(1,1)": "One reading of one film, when it is not known or not recorded who reads which film; "
    "any difference between readers is error.",
    "ICC(2,1)": "One reading by one reader, all readers reading all films and standing for other readers "
    "like them; a reader who always reads higher is error. Use it when readers must be interchangeable.",
    "ICC(3,1)": "One reading by one of exactly these readers; a reader who always reads higher is forgiven. "
    "Use it when the same reader will read everything.",
    "ICC(1,k)": "The mean of k readings of a film, when it is not known who read; any difference is error.",
    "ICC(2,k)": "The mean of the k readers' readings, readers standing for others like them; a steady shift "
    "is error. Use it when the study reports the mean of its readers.",
    "ICC(3,k)": "The mean of exactly these k readers; a steady shift is forgiven.",
}


def intraclass_correlation(
    table: pd.DataFrame,
    *,
    subject: str,
    rater: str,
    value: str,
    interval: IntraclassInterval = "F",
    cluster: str | None = None,
    seed: int | None = None,
) -> pd.DataFrame:
    """Six forms of intraclass correlation, each with its interval and what it means in a clinic.

    An intraclass correlation is the share of all variation between readings that is real variation between
    what is read. 1: the readers tell the films apart perfectly. 0: two readings of one film are no more
    alike than readings of two films. It rises when the films differ more, with the same readers: it
    belongs to this cohort, and the smallest detectable change says what it means in degrees.

    Parameters
    ----------
    table
        Long: one row a reading.
    subject, rater, value
        Columns: what was read (a film and side), who read it (or which repeat), and the number.
    interval
        "F": the intervals of Shrout and Fleiss, for subjects that are independent. "cluster bootstrap":
        for several films of one patient; draws patients, and takes the readers as they are, so that the
        interval of ICC(2,·) speaks of these readers only.
    cluster
        Column of the patient; needed by the bootstrap, and else used to warn.
    seed
        Of the bootstrap's draws.

    Returns
    -------
    DataFrame
        One row a form: form, estimate, ci_low, ci_high (95 %), n_subjects and n_raters used, n_clusters
        (patients; empty without `cluster`), n_left_out (subjects that lack a reading of some rater),
        meaning, method, note. Fewer than three complete subjects or two raters: empty estimates with a note.

    Raises
    ------
    StudyError
        If a column is missing or not numeric, a rater has two values for a subject, or the bootstrap lacks
        `cluster` or `seed`.

    Notes
    -----
    From the mean squares between subjects B, within subjects W, of raters J and of error E:
    ICC(1,1) = (B−W)/(B+(k−1)W), ICC(2,1) = (B−E)/(B+(k−1)E+k(J−E)/n), ICC(3,1) = (B−E)/(B+(k−1)E); the
    forms of the mean of k step up as k·ICC/(1+(k−1)ICC). Only subjects with a value of every rater are used;
    the others are counted. Values below zero are left as they come: read them as "no agreement". Below
    −1/(k−1), where ICC(2,·) can fall when readers differ less than chance would have them, no correlation
    exists and none is given.

    References
    ----------
    Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater reliability. Psychol Bull
    1979;86:420-8.
    McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients. Psychol Methods
    1996;1:30-46.

    Example
    -------
    >>> table = pd.DataFrame({"film": [1, 1, 2, 2, 3, 3], "reader": ["a", "b"] * 3,
    ...                       "inclination": [40, 41, 45, 44, 52, 50]})
    >>> forms = intraclass_correlation(table, subject="film", rater="reader", value="inclination")
    >>> round(float(forms.set_index("form").loc["ICC(2,1)", "estimate"]), 2)
    0.96
    """
    check_choice("interval", interval, ("F", "cluster bootstrap"))
    draws_seed = check_draws(cluster, seed) if interval == "cluster bootstrap" else 0
    everything = readings_by_rater(table, subject=subject, rater=rater, value=value, cluster=cluster)
    readings = everything.having(everything.values.shape[1])
    n, k = readings.values.shape
    n_clusters, n_left_out = readings.n_clusters, len(everything.values) - n
    singles = np.full((3, 3), np.nan)
    notes = [counted(n_left_out, "subject", "left out: not read by every rater, or without a value")]
    method = "Shrout and Fleiss 1979; F interval"
    if n < LEAST or k < 2 or n_clusters < LEAST:
        notes.append(f"no estimate from {n} complete subjects of {n_clusters} clusters and {k} raters")
    elif np.ptp(readings.values) == 0:
        notes.append("no estimate: all readings are equal")
    else:
        squares = mean_squares(readings.values)
        singles[:, 0] = _possible(_single_forms(squares, k), k)
        if interval == "F":
            singles[:, 1:] = _f_intervals(squares, n, k)
        else:
            singles[:, 1:], drawn_note = _bootstrap_intervals(readings, seed=draws_seed)
            method = "Shrout and Fleiss 1979; studentised bootstrap of patients, these readers"
            notes.append(drawn_note)
        if interval == "F" and n_clusters < n:
            notes.append("several subjects of one patient: the interval is too narrow, draw patients instead")
        if not np.isfinite(singles[:, 1:]).all():
            notes.append("no interval where there is no disagreement left to measure")
        if (singles[:, 0] < 0).any():
            notes.append("below zero: readings of one subject are no more alike than those of two")
        if np.isnan(singles[:, 0]).any():
            notes.append("no estimate where the formula leaves the range of a correlation")
    both = np.vstack([singles, _stepped_up(singles, k)])
    return pd.DataFrame(
        {
            "form": list(MEANING),
            "estimate": both[:, 0],
            "ci_low": both[:, 1],
            "ci_high": both[:, 2],
            "n_subjects": n,
            "n_raters": k,
            "n_clusters": pd.array([n_clusters if cluster else pd.NA] * 6, dtype="Int64"),
            "n_left_out": n_left_out,
            "meaning": list(MEANING.values()),
            "method": method,
            "note": sentence_of(*notes),
        }
    )


def _single_forms(squares: MeanSquares, k: int) -> Array:
    b, w, j, e, n = squares
    with np.errstate(divide="ignore", invalid="ignore"):
        one_way = (b - w) / (b + (k - 1) * w)
        agreement = (b - e) / (b + (k - 1) * e + k * (j - e) / n)
        consistency = (b - e) / (b + (k - 1) * e)
    return np.stack([one_way, agreement, consistency], axis=-1)


def _possible(correlations: Array, k: int) -> Array:
    """NaN in place of what cannot be the correlation of k readings."""
    possible = (correlations >= -1 / (k - 1) - 1e-9) & (correlations <= 1 + 1e-9)
    return np.where(possible, correlations, np.nan)


def _stepped_up(singles: Array, k: int) -> Array:
    """Correlation of the mean of k readings; none where the single one is at its least."""
    share = 1 + (k - 1) * singles
    return k * singles / np.where(share > 1e-9, share, np.nan)


def _f_intervals(squares: MeanSquares, n: int, k: int) -> Array:
    b, w, j, e, _ = squares
    bounds = np.full((3, 2), np.nan)
    for row, (error, df) in {0: (w, n * (k - 1)), 2: (e, (n - 1) * (k - 1))}.items():
        if error > 0:
            low = b / error / stats.f.ppf(0.975, n - 1, df)
            high = b / error * stats.f.ppf(0.975, df, n - 1)
            bounds[row] = (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)
    rho = _possible(_single_forms(squares, k), k)[1]
    if e > 0 and rho > -1 / (k - 1) + 1e-9:
        ratio = j / e
        weight = n * (1 + (k - 1) * rho) - k * rho
        df = (k - 1) * (n - 1) * (k * rho * ratio + weight) ** 2
        df /= (n - 1) * (k * rho * ratio) ** 2 + weight**2
        upper, lower = stats.f.ppf(0.975, n - 1, df), stats.f.ppf(0.975, df, n - 1)
        shift = k * j + (k * n - k - n) * e
        with np.errstate(over="ignore", invalid="ignore"):  # few readings may leave a bound open
            bounds[1] = (
                n * (b - upper * e) / (upper * shift + n * b),
                n * (lower * b - e) / (shift + n * lower * b),
            )
    return np.maximum(bounds, -1 / (k - 1))


def _bootstrap_intervals(readings: Readings, *, seed: int) -> tuple[Array, str]:
    """Bounds of the three single forms, on Fisher's z, patients drawn."""
    sums = sums_by_owner(parts_of_squares(readings.values), readings.owner)
    k = readings.values.shape[1]
    drawn = cluster_bootstrap(
        lambda weights: np.arctanh(_single_forms(summed_mean_squares(weights @ sums), k)),
        clusters=len(sums),
        seed=seed,
    )
    return np.tanh(np.column_stack([drawn.low, drawn.high])), drawn.note
