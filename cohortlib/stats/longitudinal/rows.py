"""The rows that a comparison of arms uses: compared with a baseline, complete, arms in order."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_columns, check_unique, identifiers, numbers

DIFFERENCE_COLUMNS = ("visit_id", "arm", "comparator", "standard_error", "df", "p_value", "n_left_out")


class Compared(NamedTuple):
    """Complete rows (hip_id, patient, visit_id, arm, value, baseline), the other arms, rows left out."""

    rows: pd.DataFrame
    arms: list[str]
    n_left_out: int


def compared_rows(changes: pd.DataFrame, *, comparator: str) -> Compared:
    """The rows of `change_from_baseline` that have a change, with the arms that are not the comparator.

    Raises
    ------
    StudyError
        If a column is missing, no row is of the comparator, or a hip comes twice at a visit.
    """
    check_columns(changes, ["hip_id", "patient_id", "visit_id", "arm", "value", "baseline_value", "status"])
    check_unique(
        changes,
        ["hip_id", "visit_id"],
        remedy="Compare one zone of one side at a time: filter the table first",
    )
    arms = identifiers(changes, "arm")
    if comparator not in arms:
        raise study_error(
            column="comparator",
            found=comparator,
            expected="one of " + ", ".join(sorted(set(arms.tolist()))),
            remedy="Name an arm that has rows here",
        )
    rows = pd.DataFrame(
        {
            "hip_id": identifiers(changes, "hip_id"),
            "patient": identifiers(changes, "patient_id"),
            "visit_id": identifiers(changes, "visit_id"),
            "arm": arms,
            "value": numbers(changes, "value"),
            "baseline": numbers(changes, "baseline_value"),
        }
    )
    asked = ~changes["status"].isin(["baseline", "before baseline"]).to_numpy()
    used = (changes["status"] == "compared").to_numpy()
    others = sorted(set(arms[used].tolist()) - {comparator})
    return Compared(rows[used].reset_index(drop=True), others, int((asked & ~used).sum()))


def arm_terms(rows: pd.DataFrame, arms: list[str]) -> dict[str, np.ndarray]:
    """A column of 0 and 1 for each arm that is not the comparator."""
    return {arm: (rows["arm"] == arm).to_numpy(dtype=float) for arm in arms}
