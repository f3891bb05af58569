"""Association of an imaging quantity with a score: the hip is measured, the patient is asked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.clustered import clustered_regression
from cohortlib.stats.inputs import (
    LEAST,
    check_choice,
    check_columns,
    check_names,
    check_one_row_a_hip,
    counted,
    identifiers,
    numbers,
    one_row,
    sentence_of,
)
from cohortlib.stats.within_patient import within_patient_correlation
from cohortlib.tables import ESTIMATE_COLUMNS

UnitOfAnalysis = Literal["hip", "patient"]

ASSOCIATION_COLUMNS = (
    "outcome",
    "exposure",
    "term",
    "unit_of_analysis",
    "standard_error",
    "df",
    "p_value",
    "n_two_hips",
    "n_missing",
    "exposure_within_patient",
    "residual_within_patient",
    *ESTIMATE_COLUMNS,
)


def association(
    table: pd.DataFrame,
    *,
    outcome: str,
    exposure: str,
    cluster: str,
    covariates: Sequence[str] = (),
    unit_of_analysis: UnitOfAnalysis,
    primary: bool,
    unit: str,
) -> pd.DataFrame:
    """How much the outcome differs, on average, for one unit more of the exposure.

    Parameters
    ----------
    table
        One row a hip, with its `hip_id`, at one visit.
    outcome, exposure
        Columns of numbers, such as a score of the patient and an angle of the hip.
    cluster
        Column of the patient.
    covariates
        Columns to hold constant; numbers enter as they are, text as one term a category.
    unit_of_analysis
        "hip": every hip is a row, its patient's score beside it, and the interval knows that two hips of
        one patient are not two patients. "patient": one row a patient, numbers averaged over his hips.
        The second asks of the mean hip; it needs an outcome that belongs to the patient.
    primary
        Whether this very association was named primary before the data were read. If not, the note says
        "exploratory".
    unit
        Of the slope, such as "1/deg" for points per degree.

    Returns
    -------
    DataFrame
        One row: outcome, exposure, term, unit_of_analysis, standard_error, df, p_value, n_two_hips (patients
        with more than one hip used), n_missing (hips left out for want of a value), exposure_within_patient
        and residual_within_patient (correlation between hips of one patient; empty with fewer than three
        such patients), then the columns of `tables.ESTIMATE_COLUMNS`. Fewer than three patients, or an
        exposure or outcome that does not vary: empty numbers with a note.

    Raises
    ------
    StudyError
        If a column is missing or not numeric, a hip has two rows, covariates cannot be told apart, or the
        unit is the patient and the outcome or a category differs between his hips.

    Notes
    -----
    Least squares, covariance CR2 with Satterthwaite degrees of freedom (`clustered_regression`). With the
    hip as unit the slope says how scores differ between hips that differ by one; patients with two hips
    count twice in the slope but not in its certainty. If the score follows the mean of both hips, the slope
    on one hip is the flatter of the two. A slope is not a cause, and a score at its ceiling cannot rise:
    see also `rank_association`.

    References
    ----------
    As `clustered_regression`.

    Example
    -------
    >>> hips = pd.DataFrame({"patient_id": ["p1", "p1", "p2", "p3", "p4"], "hip_id": list("abcde"),
    ...                      "inclination": [38, 44, 41, 47, 52], "score": [46, 46, 44, 43, 39]})
    >>> row = association(hips, outcome="score", exposure="inclination", cluster="patient_id",
    ...                   unit_of_analysis="hip", primary=False, unit="1/deg")
    >>> round(float(row.loc[0, "estimate"]), 2), int(row.loc[0, "n_patients"]), row.loc[0, "note"]
    (-0.46, 4, 'exploratory; fewer than 4 degrees of freedom: do not trust the interval')
    """
    check_choice("unit_of_analysis", unit_of_analysis, ("hip", "patient"))
    check_names("covariates", covariates)
    check_columns(table, [cluster, "hip_id", outcome, exposure, *covariates])
    check_one_row_a_hip(table)
    rows = _complete_rows(table, outcome, exposure, cluster, covariates)
    n_missing, hips_each = len(table) - len(rows), rows.groupby("patient").size()
    n_patients, n_hips = len(hips_each), len(rows)
    if unit_of_analysis == "patient":
        rows = _one_row_a_patient(rows, outcome)
    notes = ["" if primary else "exploratory", counted(n_missing, "hip", "left out for want of a value")]
    found = dict.fromkeys(["estimate", "ci_low", "ci_high", "standard_error", "df", "p_value"], np.nan)
    residual_within = np.nan
    if n_patients < LEAST:
        notes.append(f"no estimate from {n_patients} patients")
    elif min(np.ptp(rows["exposure"]), np.ptp(rows["outcome"])) == 0:
        notes.append("no estimate: exposure or outcome does not vary")
    else:
        design = _design(rows, len(covariates))
        fit = clustered_regression(rows["outcome"], design, rows["patient"])
        slope = 1  # second term, after the intercept
        found = dict(zip(found, fit[list(found)].to_numpy(dtype=float)[slope], strict=True))
        fitted = design.to_numpy(dtype=float) @ fit["estimate"].to_numpy()
        residual_within = within_patient_correlation(rows["outcome"] - fitted, rows["patient"])
        if fit["settled_by_one"].iloc[slope]:
            notes.append("one patient alone decides part of the fit: its spread is not seen")
        if not found["df"] >= 4:
            notes.append("fewer than 4 degrees of freedom: do not trust the interval")
    adjusted = f"adjusted for {', '.join(covariates)}" if covariates else "not adjusted"
    values = {
        "outcome": outcome,
        "exposure": exposure,
        "term": f"slope of {outcome} on {exposure}",
        "unit_of_analysis": unit_of_analysis,
        **found,
        "n_two_hips": int((hips_each > 1).sum()),
        "n_missing": n_missing,
        "exposure_within_patient": within_patient_correlation(rows["exposure"], rows["patient"]),
        "residual_within_patient": residual_within,
        "n_patients": n_patients,
        "n_hips": n_hips,
        "unit": unit,
        "method": f"least squares by {unit_of_analysis}, {adjusted}; CR2 by patient, Satterthwaite df",
        "note": sentence_of(*notes),
    }
    return one_row(values)[list(ASSOCIATION_COLUMNS)]


def _complete_rows(
    table: pd.DataFrame, outcome: str, exposure: str, cluster: str, covariates: Sequence[str]
) -> pd.DataFrame:
    """Patient, outcome, exposure and the covariates, of the hips that have all of them."""
    columns: dict[str, object] = {
        "patient": identifiers(table, cluster),
        "outcome": numbers(table, outcome),
        "exposure": numbers(table, exposure),
    }
    for name in covariates:
        if pd.api.types.is_numeric_dtype(table[name]):
            columns[f"covariate {name}"] = numbers(table, name)
        else:
            columns[f"category {name}"] = table[name].astype(object).to_numpy()
    return pd.DataFrame(columns).dropna(ignore_index=True)


def _one_row_a_patient(rows: pd.DataFrame, outcome: str) -> pd.DataFrame:
    patients = rows.groupby("patient")
    names = [str(name) for name in rows if name != "patient"]
    categories = [name for name in names if name.startswith("category ")]
    for column in ["outcome", *categories]:
        differs = patients[column].nunique() > 1
        if differs.any():
            raise study_error(
                column=outcome if column == "outcome" else column.removeprefix("category "),
                found=f"different values in patient {differs.index[differs][0]}",
                count=int(differs.sum()),
                expected="one value a patient where the patient is the unit of analysis",
                remedy='Choose unit_of_analysis="hip", or leave the column out',
            )
    return patients.agg({name: "first" if name in categories else "mean" for name in names}).reset_index()


def _design(rows: pd.DataFrame, n_covariates: int) -> pd.DataFrame:
    """Intercept, exposure, covariates; numbers about their mean, categories against the first of them."""
    columns = rows[["exposure", *rows.columns[3 : 3 + n_covariates]]]
    texts = [str(name) for name in columns if str(name).startswith("category ")]
    for name in texts:
        if columns[name].nunique() < 2:
            raise study_error(
                column=name.removeprefix("category "),
                found=str(columns[name].iloc[0]),
                count=len(columns),
                expected="at least two categories among the hips used",
                remedy="Leave out the covariate",
            )
    coded = pd.get_dummies(columns, columns=texts, drop_first=True, dtype=float)
    coded = coded - coded.mean()
    coded.insert(0, "intercept", 1.0)
    return coded
