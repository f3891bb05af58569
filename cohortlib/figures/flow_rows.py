"""The rows of a flow table: checked, and what they say of patients with hips in two arms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem
from cohortlib.figures.flow_boxes import PARTS
from cohortlib.figures.words import counted


def check_flow(table: pd.DataFrame, visits: Sequence[str], words: Mapping[str, str]) -> None:
    """Raise unless every visit has a name, and its outcomes in each arm add up to the arm."""
    problems = [
        problem(
            file="flow",
            column="visit_id",
            found=visit,
            expected="one of " + (", ".join(words) or "no visit"),
            remedy="Name the visit in `visit_labels`, or leave its rows out",
        )
        for visit in visits
        if visit not in words
    ]
    if (table["outcome"] == "enrolled").sum() != 1:
        problems.append(
            problem(
                file="flow",
                column="outcome",
                found=f"{(table['outcome'] == 'enrolled').sum()} rows of enrolled",
                expected="exactly 1",
                remedy="Give the table as the function that makes it returns it",
            )
        )
    arms = table[table["stage"] == "arm"].set_index("arm")
    stages = table[table["stage"].isin(["visit", "analysed"]) & ~table["outcome"].isin(PARTS)]
    for (stage, visit, arm), rows in stages.groupby(["stage", "visit_id", "arm"], sort=False):
        for column in ("n_patients", "n_hips"):
            total, parts = arms[column].get(arm, np.nan), rows[column]
            if parts.isna().any() or pd.isna(total) or parts.sum() == total:
                continue
            problems.append(
                problem(
                    file="flow",
                    column=column,
                    found=f"{parts.sum()} at {visit or stage}, {arm}",
                    expected=f"{total}, as are in the arm",
                    remedy="Give all outcomes of a visit",
                )
            )
    if problems:
        raise StudyError(problems)


def in_two_arms(table: pd.DataFrame) -> list[str]:
    """Why the arms add up to more patients than were enrolled: those with a hip in each of two."""
    number = table["n_patients"]
    known = number[table["outcome"] == "enrolled"].sum() - number[table["outcome"] == "not operated"].sum()
    twice = number[table["stage"] == "arm"].sum(skipna=False) - known
    if pd.isna(twice) or number[table["stage"] == "enrolled"].isna().any() or twice <= 0:
        return []
    verb = "counts" if twice == 1 else "count"
    return [f"{counted(int(twice), 'patient')} with hips in two arms {verb} in both."]
