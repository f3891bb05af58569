"""Kappa: how far readers agree on a grade, beyond what the grades' frequencies alone would give."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from cohortlib.stats.agreement.coefficients import (
    WHOLE,
    are_shares,
    bounded,
    coefficients,
    influence,
    null_errors,
    parts_of_agreement,
    unbounded,
)
from cohortlib.stats.agreement.grades import declared_categories, grades_by_rater
from cohortlib.stats.agreement.mean_squares import Readings, sums_by_owner
from cohortlib.stats.agreement.weights import Weights, agreement_weights
from cohortlib.stats.bootstrap import FEW, check_draws, cluster_bootstrap
from cohortlib.stats.inputs import LEAST, check_choice, counted, sentence_of

Array = NDArray[np.float64]
KappaInterval = Literal["analytic", "cluster bootstrap"]

#: When one grade is this common, kappa is low however well readers agree (common practice, no source).
COMMON = 0.9

MEANING = {
    "kappa": "Agreement beyond chance, chance being what the readers' own frequencies of the grades give. "
    "1: they agree wholly; 0: as by chance. It falls when one grade is rare, with the same readers.",
    "Gwet AC": "Agreement beyond chance, chance being guesses on what is hard to grade. It stays high when "
    "one grade is rare: read it beside kappa.",
    "PABAK": "Agreement beyond chance, chance being every grade as likely as any other.",
    "observed agreement": "Share of pairs of readings that agree, near misses counted in part where weights "
    "are given.",
    "expected agreement": "The same if the readers drew their grades by chance from their own frequencies.",
    "category kappa": "Kappa of this grade against all others together.",
    "prevalence": "Share of all readings that are this grade.",
}
_ANALYTIC = "linearised standard error, t interval"
_COLUMNS = (
    "measure",
    "category",
    "estimate",
    "ci_low",
    "ci_high",
    "standard_error",
    "null_standard_error",
    "z",
    "n_subjects",
    "n_raters",
    "n_clusters",
    "n_left_out",
    "meaning",
    "method",
    "note",
)


def kappa(
    table: pd.DataFrame,
    *,
    subject: str,
    rater: str,
    value: str,
    categories: Sequence[Hashable] | None = None,
    weights: Weights = None,
    interval: KappaInterval = "analytic",
    cluster: str | None = None,
    seed: int | None = None,
) -> pd.DataFrame:
    """Agreement of readers on grades: kappa, what stands beside it, and how common each grade is.

    Kappa alone misleads: where nearly all zones are graded "none", two readers who agree on 95 of 100 may
    have a kappa near zero. So the share of agreement, the prevalence of each grade and two coefficients
    that do not fall with prevalence are always given with it.

    Parameters
    ----------
    table
        Long: one row a reading.
    subject, rater, value
        Columns: what was graded (a film, side and zone), who graded it (or which repeat), and the grade.
    categories
        All grades, from one end of the scale to the other; needed by weights. None takes those found.
    weights
        None: two grades agree or do not. "linear", "quadratic": near misses count in part, by steps in the
        order of `categories`. Or a symmetric matrix of disagreements with zeros on its diagonal. A grade
        that has no place on the scale ("not assessable") must not be weighted: count it apart.
    interval
        "analytic": from the linearised standard error; with `cluster` its contributions are summed by
        patient. "cluster bootstrap": draws patients.
    cluster
        Column of the patient, where several subjects belong to one.
    seed
        Of the bootstrap's draws.

    Returns
    -------
    DataFrame
        One row a statistic: measure (kappa, Gwet AC, PABAK, observed agreement, expected agreement, and a
        row a category of category kappa and prevalence), category, estimate, ci_low, ci_high (95 %),
        standard_error, null_standard_error and z (of kappa, if agreement were by chance only: for a test,
        never for an interval), n_subjects and n_raters used, n_clusters (patients; empty without
        `cluster`), n_left_out (subjects without a grade of every rater), meaning, method, note. Fewer than
        three subjects or patients, or two raters: empty estimates with a note.

    Raises
    ------
    StudyError
        If a column is missing, a grade is not among the categories, weights are given without an order, a
        rater has two grades for a subject, or the bootstrap lacks `cluster` or `seed`.

    Notes
    -----
    All coefficients are (Po − Pe)/(1 − Pe), with weights w of agreement in Po = Σ w_ij p_ij. Two raters:
    Cohen's kappa, Pe = Σ w_ij p_i. p_.j. More raters: Fleiss' kappa, Po the mean over a subject's pairs of
    readings and Pe = Σ w_ij π_i π_j with the prevalences π. Gwet: Pe = T/(K(K−1)) Σ π_k(1 − π_k), T = Σ w_ij
    (AC1; AC2 with weights). PABAK: Pe = T/K², which is 2Po − 1 for two grades.

    The standard error is that of the linearised coefficient; with two raters it is the one of Fleiss, Cohen
    and Everitt, with more it is divided by n − 1 in place of n as Gwet does. Bounds beyond what a
    coefficient can be are cut there. The well-known standard error of Fleiss' kappa of 1979 holds where
    agreement is by chance only; an interval made with it would be too narrow, so it only makes z.

    Tried on two readers of graded hips, some patients with two: the analytic interval held the true value
    in 92 to 97 % of cohorts of 30 and 60 patients, the bootstrap in 91 to 97 %. With 15 patients, or kappa
    of a scale on which one grade is rare, either may hold it in 75 to 90 % only.

    References
    ----------
    Cohen J. A coefficient of agreement for nominal scales. Educ Psychol Meas 1960;20:37-46.
    Fleiss JL. Measuring nominal scale agreement among many raters. Psychol Bull 1971;76:378-82.
    Byrt T, Bishop J, Carlin JB. Bias, prevalence and kappa. J Clin Epidemiol 1993;46:423-9.
    Gwet KL. Computing inter-rater reliability and its variance in the presence of high agreement. Br J Math
    Stat Psychol 2008;61:29-48.

    Example
    -------
    >>> table = pd.DataFrame({"zone": [1, 1, 2, 2, 3, 3, 4, 4], "reader": ["a", "b"] * 4,
    ...                       "grade": ["none", "none", "line", "line", "none", "line", "none", "none"]})
    >>> found = kappa(table, subject="zone", rater="reader", value="grade")
    >>> found.set_index("measure").loc[["kappa", "observed agreement"], "estimate"].tolist()
    [0.5, 0.75]
    """
    check_choice("interval", interval, ("analytic", "cluster bootstrap"))
    draws_seed = check_draws(cluster, seed) if interval == "cluster bootstrap" else 0
    names = declared_categories(table, value, categories, in_order=weights is not None)
    everything = grades_by_rater(
        table, subject=subject, rater=rater, value=value, cluster=cluster, categories=names
    )
    grades = everything.having(everything.values.shape[1])
    (n, n_raters), n_clusters = grades.values.shape, grades.n_clusters
    n_left_out = len(everything.values) - n
    notes = [counted(n_left_out, "subject", "left out: not graded by every rater")]
    matrix, weighting = agreement_weights(weights, len(names)) if len(names) > 1 else (np.eye(1), "")
    found = _nothing(len(names))
    if n < LEAST or n_raters < 2 or n_clusters < LEAST:
        notes.append(f"no estimate from {n} complete subjects of {n_clusters} clusters and {n_raters} raters")
    elif len(names) < 2:
        notes.append(f"no estimate: every reading is {names[0]!r}; declare the categories")
    else:
        found, drawn_note = _estimates(grades, matrix, draws_seed if interval != "analytic" else None)
        few = f"fewer than {FEW} patients: an unsteady interval" if n_clusters < FEW else ""
        notes.append(drawn_note or few)
        k = len(names)
        most = int(np.argmax(found.estimate[-k:]))
        if np.isnan(found.estimate[0]):
            notes.append(f"no kappa: every reading is {names[most]!r}")
        elif found.estimate[-k:][most] >= COMMON:
            notes.append(
                f"{found.estimate[-k:][most]:.0%} of readings are {names[most]!r}: kappa is low "
                "for any readers, look at the others"
            )
        if not (found.error[0] > 0 or np.isnan(found.estimate[0])):
            notes.append("no interval where the readers never differ")
    result = _rows(
        found, names, n_raters=n_raters, weighting=weighting, interval=interval, by_patient=n_clusters < n
    )
    return result.assign(
        n_subjects=n,
        n_raters=n_raters,
        n_clusters=pd.array([n_clusters if cluster else pd.NA] * len(result), dtype="Int64"),
        n_left_out=n_left_out,
        note=sentence_of(*notes),
    )[list(_COLUMNS)]


class _Estimates(NamedTuple):
    """Arrays of one entry a statistic, in the order of `coefficients`."""

    estimate: Array
    low: Array
    high: Array
    error: Array
    null: Array


def _nothing(n_categories: int) -> _Estimates:
    return _Estimates(*np.full((5, len(WHOLE) + 2 * n_categories), np.nan))


def _estimates(grades: Readings, weights: Array, seed: int | None) -> tuple[_Estimates, str]:
    """Coefficients with their errors and bounds: analytic, or by draws from a seed."""
    n, n_raters = grades.values.shape
    k, clusters = len(weights), grades.n_clusters
    parts = parts_of_agreement(grades.values.astype(np.intp), weights)
    estimate = coefficients(parts.sum(axis=0, keepdims=True), weights)[0].astype(float)
    moved = sums_by_owner(influence(parts, weights), grades.owner)
    free = clusters if n_raters == 2 and clusters == n else clusters - 1
    error = np.sqrt((moved**2).sum(axis=0) * (clusters / free)) / n
    error[error < 1e-12] = 0.0
    null = np.full(estimate.size, np.nan)
    null[0], null[len(WHOLE) : len(WHOLE) + k] = null_errors(parts, weights, n_raters)
    note = ""
    if seed is None:
        reach = stats.t.ppf(0.975, clusters - 1) * np.where(error > 0, error, np.nan)
        floor = np.where(are_shares(k), 0.0, -1.0)
        low, high = np.maximum(estimate - reach, floor), np.minimum(estimate + reach, 1.0)
    else:
        sums = sums_by_owner(parts, grades.owner)
        drawn = cluster_bootstrap(
            lambda drawn_weights: unbounded(coefficients(drawn_weights @ sums, weights).astype(float), k),
            clusters=clusters,
            seed=seed,
        )
        low, high, note = bounded(drawn.low, k), bounded(drawn.high, k), drawn.note
    return _Estimates(estimate, low, high, error, null), note


def _rows(
    found: _Estimates,
    names: Sequence[Hashable],
    *,
    n_raters: int,
    weighting: str,
    interval: KappaInterval,
    by_patient: bool,
) -> pd.DataFrame:
    k = len(names)
    with_weights = f", {weighting} weights" if weighting else ""
    named = {
        "kappa": ("Cohen's kappa" if n_raters == 2 else "Fleiss' kappa") + with_weights,
        "Gwet AC": f"Gwet's AC{'2' if weighting else '1'}" + with_weights,
        "PABAK": ("prevalence- and bias-adjusted kappa" if k == 2 else "Brennan and Prediger") + with_weights,
        "observed agreement": "share of pairs of readings" + with_weights,
        "expected agreement": ("Cohen" if n_raters == 2 else "Fleiss") + with_weights,
        "category kappa": "one category against the others",
        "prevalence": "share of readings",
    }
    how = "studentised bootstrap of patients"
    if interval == "analytic":
        how = f"{_ANALYTIC}, summed by patient" if by_patient else _ANALYTIC
    measures = [*WHOLE, *["category kappa"] * k, *["prevalence"] * k]
    with np.errstate(divide="ignore", invalid="ignore"):
        z = found.estimate / found.null
    return pd.DataFrame(
        {
            "measure": measures,
            "category": [*[""] * len(WHOLE), *map(str, names), *map(str, names)],
            "estimate": found.estimate,
            "ci_low": found.low,
            "ci_high": found.high,
            "standard_error": found.error,
            "null_standard_error": found.null,
            "z": z,
            "meaning": [MEANING[measure] for measure in measures],
            "method": [f"{named[measure]}; {how}" for measure in measures],
        }
    )
