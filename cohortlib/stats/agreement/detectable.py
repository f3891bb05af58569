"""Measurement error: the change in one hip that is more than reading it twice."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from cohortlib.stats.agreement.mean_squares import (
    Readings,
    mean_squares,
    parts_of_squares,
    readings_by_rater,
    summed_mean_squares,
    sums_by_owner,
    without_rounding,
)
from cohortlib.stats.bootstrap import check_draws, cluster_bootstrap
from cohortlib.stats.inputs import LEAST, check_choice, counted, sentence_of

Array = NDArray[np.float64]
DetectableInterval = Literal["chi-square", "cluster bootstrap"]

#: Smallest detectable change over standard error of measurement.
FACTOR = 1.96 * np.sqrt(2)

MEANING = {
    "repeats": "Readings that differ by chance only, such as one reader twice or a double examination "
    "(goes with ICC(1,1)).",
    "agreement": "Readings by readers who stand for others like them: a steady shift between readers is "
    "error (goes with ICC(2,1)).",
    "consistency": "Readings by exactly these readers, each hip always read by the same one: a steady shift "
    "is forgiven (goes with ICC(3,1)).",
}
_FORMULA = {
    "repeats": "SEM = √(squares within subjects / df), df = readings − subjects",
    "agreement": "SEM = √(reader variance + error variance) = √(mean square within), df by Satterthwaite",
    "consistency": "SEM = √(error mean square of subjects × readers), df = (n − 1)(k − 1)",
}


def smallest_detectable_change(
    table: pd.DataFrame,
    *,
    subject: str,
    rater: str,
    value: str,
    interval: DetectableInterval = "chi-square",
    cluster: str | None = None,
    seed: int | None = None,
) -> pd.DataFrame:
    """Smallest change of one hip that reading error alone would exceed only once in twenty times.

    Parameters
    ----------
    table
        Long: one row a reading of an unchanged subject.
    subject, rater, value
        Columns: what was read, who read it (or which repeat it was), and the number.
    interval
        "chi-square", for subjects that are independent, or "cluster bootstrap", for several films of one
        patient; draws patients.
    cluster
        Column of the patient; needed by the bootstrap, and else used to warn.
    seed
        Of the bootstrap's draws.

    Returns
    -------
    DataFrame
        One row a form (repeats, agreement, consistency): form, estimate (the smallest detectable change),
        ci_low, ci_high (95 %), sem (standard error of measurement), sem_ci_low, sem_ci_high, df,
        n_subjects used, n_clusters (empty without `cluster`), n_left_out, meaning, method, note. In the
        unit of the readings. Fewer than three subjects: empty estimates with a note.

    Raises
    ------
    StudyError
        If a column is missing or not numeric, a rater has two values for a subject, or the bootstrap lacks
        `cluster` or `seed`.

    Notes
    -----
    SDC = 1.96·√2·SEM. "Repeats" uses every subject read at least twice and is the root-mean-square
    precision error of bone densitometry, whose 2.77 times is the least significant change; the other two
    use subjects that every rater read. With SEM² on ν degrees of freedom the interval is SEM·√(ν/χ²). With
    two readers a steady shift between them leaves "agreement" with about one degree of freedom: two people
    say little about readers at large, and the interval shows it.

    References
    ----------
    Glüer CC et al. Accurate assessment of precision errors. Osteoporos Int 1995;5:262-70.
    de Vet HCW, Terwee CB, Knol DL, Bouter LM. When to use agreement versus reliability measures. J Clin
    Epidemiol 2006;59:1033-9.

    Example
    -------
    >>> table = pd.DataFrame({"film": [1, 1, 2, 2, 3, 3], "repeat": [1, 2] * 3,
    ...                       "inclination": [40, 41, 45, 44, 52, 50]})
    >>> change = smallest_detectable_change(table, subject="film", rater="repeat", value="inclination")
    >>> change.loc[0, ["sem", "estimate"]].astype(float).round(2).tolist()
    [1.0, 2.77]
    """
    check_choice("interval", interval, ("chi-square", "cluster bootstrap"))
    draws_seed = check_draws(cluster, seed) if interval == "cluster bootstrap" else 0
    everything = readings_by_rater(table, subject=subject, rater=rater, value=value, cluster=cluster)
    twice, complete = everything.having(2), everything.having(max(2, everything.values.shape[1]))
    used = [twice, complete, complete]
    enough = np.array([min(len(part.values), part.n_clusters) >= LEAST for part in used])
    sem, df, bounds = np.full(3, np.nan), np.full(3, np.nan), np.full((3, 2), np.nan)
    notes = [
        counted(len(everything.values) - len(part.values), "subject", "left out: too few readings")
        for part in used
    ]
    if enough[0]:
        sem, df = _standard_errors(twice, complete)
        sem[~enough], df[~enough] = np.nan, np.nan
        bounds = sem[:, None] * np.sqrt(df[:, None] / stats.chi2.ppf([0.975, 0.025], df[:, None]))
    if enough[0] and interval == "cluster bootstrap":
        bounds, drawn_note = _bootstrap_bounds(twice, complete, draws_seed)
        bounds[~enough] = np.nan
        notes = [sentence_of(note, drawn_note) for note in notes]
    for form, part in enumerate(used):
        if not enough[form]:
            found = f"no estimate from {len(part.values)} subjects of {part.n_clusters} clusters"
        elif sem[form] == 0:
            found = "no error left: was one reading copied from the other?"
        elif interval == "chi-square" and part.n_clusters < len(part.values):
            found = "several subjects of one patient: the interval is too narrow, draw patients instead"
        else:
            found = ""
        notes[form] = sentence_of(notes[form], found)
    drawn_from = "chi-square interval" if interval == "chi-square" else "studentised bootstrap of patients"
    return pd.DataFrame(
        {
            "form": list(MEANING),
            "estimate": FACTOR * sem,
            "ci_low": FACTOR * bounds[:, 0],
            "ci_high": FACTOR * bounds[:, 1],
            "sem": sem,
            "sem_ci_low": bounds[:, 0],
            "sem_ci_high": bounds[:, 1],
            "df": df,
            "n_subjects": [len(part.values) for part in used],
            "n_clusters": pd.array([part.n_clusters if cluster else pd.NA for part in used], dtype="Int64"),
            "n_left_out": [len(everything.values) - len(part.values) for part in used],
            "meaning": list(MEANING.values()),
            "method": [f"1.96·√2·SEM; {formula}; {drawn_from}" for formula in _FORMULA.values()],
            "note": notes,
        }
    )


def _standard_errors(twice: Readings, complete: Readings) -> tuple[Array, Array]:
    """SEM and degrees of freedom of the three forms."""
    squares, extra = _within(twice)
    variance, df = np.full(3, np.nan), np.full(3, np.nan)
    variance[0], df[0] = without_rounding(squares.sum() / extra.sum(), twice.values), extra.sum()
    n, k = complete.values.shape
    if n > 1:
        _, within, raters, error, _ = mean_squares(complete.values)
        variance[1:] = within, error
        df[2] = (n - 1) * (k - 1)
        spread = (raters / n) ** 2 / (k - 1) + ((n - 1) * error / n) ** 2 / df[2]
        df[1] = within**2 / spread if spread > 0 else np.nan
    return np.sqrt(variance), df


def _within(readings: Readings) -> tuple[Array, Array]:
    """Of each subject: squares about its own mean, and readings beyond the first."""
    own_mean = np.nanmean(readings.values, axis=1, keepdims=True)
    present = (~np.isnan(readings.values)).sum(axis=1)
    return np.nansum((readings.values - own_mean) ** 2, axis=1), present - 1.0


def _bootstrap_bounds(twice: Readings, complete: Readings, seed: int) -> tuple[Array, str]:
    """Bounds of the three SEM, on the logarithm, patients drawn."""
    whole = np.isfinite(twice.values).all(axis=1)
    parts = np.zeros((len(twice.values), 3 + twice.values.shape[1]))
    if whole.any():
        parts[whole] = parts_of_squares(complete.values)
    sums = sums_by_owner(np.column_stack([*_within(twice), parts]), twice.owner)

    def log_variances(weights: Array) -> Array:
        totals = weights @ sums
        two_way = summed_mean_squares(totals[:, 2:])
        return np.log(np.stack([totals[:, 0] / totals[:, 1], two_way.within, two_way.error], axis=-1))

    drawn = cluster_bootstrap(log_variances, clusters=len(sums), seed=seed)
    with np.errstate(over="ignore"):  # a handful of patients may set no upper bound at all
        return np.exp(np.column_stack([drawn.low, drawn.high]) / 2), drawn.note
