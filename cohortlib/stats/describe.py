"""Means and shares of groups of hips, some of which belong to one patient."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from cohortlib.errors import study_error
from cohortlib.stats.clustered import clustered_regression
from cohortlib.stats.inputs import (
    LEAST,
    check_columns,
    check_names,
    check_unique,
    counted,
    identifiers,
    numbers,
    sentence_of,
)
from cohortlib.stats.within_patient import within_patient_correlation
from cohortlib.tables import ESTIMATE_COLUMNS


def group_means(
    table: pd.DataFrame, *, value: str, by: Sequence[str], cluster: str, unit: str
) -> pd.DataFrame:
    """Mean of a quantity in each group of hips, with an interval that knows whose hips they are.

    Parameters
    ----------
    table
        One row a hip in each group, with its `hip_id`, of one quantity.
    value
        Column of the numbers.
    by
        Columns that make the groups, such as ("arm",) or ("visit_id", "arm"); () takes all hips together.
    cluster
        Column of the patient.
    unit
        Of the value.

    Returns
    -------
    DataFrame
        One row a group: the columns of `by`, sd (between hips), df, n_missing (hips without a value), then
        those of `tables.ESTIMATE_COLUMNS`. Fewer than three patients: empty numbers with a note.

    Raises
    ------
    StudyError
        If a column is missing or not numeric, or a hip has two rows in one group.

    Notes
    -----
    Interval by CR2 and Satterthwaite degrees of freedom (`clustered_regression`); with one hip a patient it
    is Student's t interval. A patient with a hip in each of two groups counts in both.
    """
    rows = []
    for labels, group, n_missing in _groups(table, value, by, cluster):
        n_patients, note = group["patient"].nunique(), ""
        mean = sd = low = high = df = np.nan
        if n_patients < LEAST:
            note = f"no estimate from {n_patients} patients"
        else:
            sd = float(group["value"].std())
            design = pd.DataFrame({"mean": np.ones(len(group))})
            fit = clustered_regression(group["value"], design, group["patient"]).iloc[0]
            mean, low, high, df = fit[["estimate", "ci_low", "ci_high", "df"]].astype(float)
        rows.append(
            {
                **labels,
                "sd": sd,
                "df": df,
                "n_missing": n_missing,
                "estimate": mean,
                "ci_low": low,
                "ci_high": high,
                "n_patients": n_patients,
                "n_hips": len(group),
                "unit": unit,
                "method": "mean of hips; CR2 by patient, Satterthwaite df",
                "note": sentence_of(counted(n_missing, "hip", "without a value"), note),
            }
        )
    return pd.DataFrame(rows, columns=[*by, "sd", "df", "n_missing", *ESTIMATE_COLUMNS])


def share_inside(
    table: pd.DataFrame, *, value: str, lower: float, upper: float, by: Sequence[str], cluster: str
) -> pd.DataFrame:
    """Share of hips whose value lies inside a zone, in each group, its bounds counted as inside.

    Parameters
    ----------
    table
        One row a hip, with its `hip_id`, of one quantity at one visit.
    value
        Column of the numbers.
    lower, upper
        The zone, in the unit of the value; infinity for a zone that is open at that end.
    by
        Columns that make the groups; () takes all hips together.
    cluster
        Column of the patient.

    Returns
    -------
    DataFrame
        One row a group: the columns of `by`, lower, upper, n_inside, within_patient (correlation between
        hips of one patient; empty with fewer than three such patients), design_factor, n_missing, then those
        of `tables.ESTIMATE_COLUMNS` (unit 1). Fewer than three patients: empty numbers with a note.

    Raises
    ------
    StudyError
        If a column is missing or not numeric, a hip has two rows, or the zone is empty.

    Notes
    -----
    Wilson's interval with n / design factor hips in place of n, design factor = 1 + ρ(Σn_i²/n − 1), ρ the
    correlation within patients and n_i his hips. Where ρ cannot be known (few patients with two hips, or
    none or all of the hips inside) it is taken as 1, which counts each such patient about once; below zero,
    as 0. A zone is a convention, not a promise: a hip inside it can fail, and most outside do well.

    References
    ----------
    Wilson EB. Probable inference, the law of succession, and statistical inference. J Am Stat Assoc
    1927;22:209-12.
    Donner A, Klar N. Design and Analysis of Cluster Randomization Trials in Health Research. Arnold 2000.
    """
    if not lower <= upper:
        raise study_error(
            column="lower, upper",
            found=f"{lower}, {upper}",
            expected="a lower bound that is not above the upper",
            remedy="Exchange them",
        )
    rows = []
    for labels, group, n_missing in _groups(table, value, by, cluster):
        hips_each = group.groupby("patient").size()
        n_patients, n_hips = len(hips_each), len(group)
        inside = group["value"].between(lower, upper).astype(float)
        rho = within_patient_correlation(inside, group["patient"])
        share = factor = low = high = np.nan
        notes = [counted(n_missing, "hip", "without a value")]
        if n_patients < LEAST:
            notes.append(f"no estimate from {n_patients} patients")
        else:
            share = float(inside.mean())
            taken = 1.0 if np.isnan(rho) else max(rho, 0.0)
            factor = 1 + taken * (float((hips_each**2).sum()) / n_hips - 1)
            low, high = proportion_confint(inside.sum() / factor, n_hips / factor, method="wilson")
            if np.isnan(rho) and factor > 1:
                notes.append("hips of one patient taken as fully alike")
        rows.append(
            {
                **labels,
                "lower": lower,
                "upper": upper,
                "n_inside": int(inside.sum()),
                "within_patient": rho,
                "design_factor": factor,
                "n_missing": n_missing,
                "estimate": share,
                "ci_low": low,
                "ci_high": high,
                "n_patients": n_patients,
                "n_hips": n_hips,
                "unit": "1",
                "method": "share of hips; Wilson, hips divided by the design factor of patients",
                "note": sentence_of(*notes),
            }
        )
    first = ["lower", "upper", "n_inside", "within_patient", "design_factor", "n_missing"]
    return pd.DataFrame(rows, columns=[*by, *first, *ESTIMATE_COLUMNS])


def _groups(
    table: pd.DataFrame, value: str, by: Sequence[str], cluster: str
) -> Iterator[tuple[dict[str, object], pd.DataFrame, int]]:
    """Each group: its labels, patient and value of the hips that have one, and how many have none."""
    check_names("by", by)
    check_columns(table, [cluster, "hip_id", value, *by])
    identifiers(table, "hip_id")
    check_unique(table, ["hip_id", *by], remedy="Keep one row a hip, or name what tells its rows apart in by")
    rows = pd.DataFrame({"patient": identifiers(table, cluster), "value": numbers(table, value)})
    labels = table[list(by)].reset_index(drop=True)
    numbered = labels.groupby(list(by), dropna=False, sort=True).ngroup() if by else pd.Series(0, rows.index)
    for _, group in rows.groupby(numbered):
        complete = group.dropna()
        yield dict(labels.loc[group.index[0]]), complete, len(group) - len(complete)
