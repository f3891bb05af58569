"""Arms compared at one visit with the baseline as covariate."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.stats.clustered import clustered_regression
from cohortlib.stats.inputs import LEAST, check_choice, counted, sentence_of
from cohortlib.stats.longitudinal.rows import DIFFERENCE_COLUMNS, arm_terms, compared_rows
from cohortlib.tables import ESTIMATE_COLUMNS


def last_visit_difference(
    changes: pd.DataFrame, *, visit_id: str, comparator: str, unit: str
) -> pd.DataFrame:
    """How much higher the value of each arm is than the comparator's at one visit, for equal baselines.

    Parameters
    ----------
    changes
        From `change_from_baseline` with an `arm`, one zone of one side.
    visit_id
        The visit, named beforehand; mostly the last.
    comparator
        The arm that the others are judged against.
    unit
        Of the value.

    Returns
    -------
    DataFrame
        One row an arm other than the comparator: visit_id, arm, comparator, standard_error, df, p_value,
        n_left_out (hips examined at the visit that could not be compared), then the columns of
        `tables.ESTIMATE_COLUMNS`. Fewer than three patients in either arm: empty numbers with a note.

    Raises
    ------
    StudyError
        If a column is missing, the arm or visit is unknown, or a hip comes twice.

    Notes
    -----
    Least squares of the value on arm and baseline, CR2 by patient with Satterthwaite degrees of freedom.
    Neither the change nor its percentage is tested: both depend on the baseline by construction. The baseline
    was taken after the operation, so a difference that arose before it is adjusted away.

    References
    ----------
    Vickers AJ, Altman DG. Analysing controlled trials with baseline and follow up measurements. BMJ
    2001;323:1123-4. Intervals: as `clustered_regression`.
    """
    check_choice("visit_id", visit_id, sorted(changes["visit_id"].astype(str).unique()))
    compared = compared_rows(changes[changes["visit_id"] == visit_id], comparator=comparator)
    rows, arms = compared.rows, compared.arms
    counts = rows.groupby("arm")["patient"].nunique()
    enough = [arm for arm in arms if min(counts.get(arm, 0), counts.get(comparator, 0)) >= LEAST]
    used = rows[rows["arm"].isin([comparator, *enough])]
    fit = pd.DataFrame(
        columns=["estimate", "standard_error", "df", "ci_low", "ci_high", "p_value"], dtype=float
    )
    if enough:
        terms = {"intercept": np.ones(len(used)), **arm_terms(used, enough)}
        centred = used["baseline"] - used["baseline"].mean()
        design = pd.DataFrame(terms).assign(baseline=centred.to_numpy())
        fit = clustered_regression(used["value"], design, used["patient"]).set_index("term")
    result = []
    for arm in arms:
        mine = rows[rows["arm"].isin([arm, comparator])]
        few = (
            ""
            if arm in enough
            else f"no estimate: {counts.get(arm, 0)} and {counts.get(comparator, 0)} patients"
        )
        found = fit.reindex([arm]).iloc[0]
        result.append(
            {
                "visit_id": visit_id,
                "arm": arm,
                "comparator": comparator,
                **found[["standard_error", "df", "p_value", "estimate", "ci_low", "ci_high"]].to_dict(),
                "n_left_out": compared.n_left_out,
                "n_patients": mine["patient"].nunique(),
                "n_hips": mine["hip_id"].nunique(),
                "unit": unit,
                "method": "analysis of covariance; CR2 by patient, Satterthwaite df",
                "note": sentence_of(few, counted(compared.n_left_out, "hip", "without a change, left out")),
            }
        )
    return pd.DataFrame(result, columns=[*DIFFERENCE_COLUMNS, *ESTIMATE_COLUMNS])
