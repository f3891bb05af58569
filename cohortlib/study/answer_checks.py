"""Answers against the instrument's definition in study.toml: items, range, coding and direction."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.grouping import file_name, grouped_problems

#: The direction is doubted when at least so many patients can be compared …
FEWEST_COMPARED = 5
#: … and at least this part of them is worse after surgery than before. Common practice, no source:
#: after a hip replacement about one patient in twenty is; a reversed file turns that round.
PART_WORSE = 0.8


def coding_problems(answers: pd.DataFrame, instruments: pd.DataFrame) -> list[dict[str, Any]]:
    """Item numbers and answers an instrument does not have, or a file coded another way than declared."""
    problems: list[dict[str, Any]] = []
    for instrument in instruments.to_dict("records"):
        rows = answers[answers["instrument"] == instrument["instrument"]]
        numbers = rows["item"].dropna()
        problems += grouped_problems(
            numbers[~numbers.between(1, instrument["items"])],
            file=file_name("answers"),
            column="item",
            expected=f"an item from 1 to {instrument['items']} of {instrument['instrument']}",
            remedy="Correct the number, or items in study.toml [[instruments]]",
        )
        problems += _range_problems(rows["answer"].dropna(), instrument)
    return problems


def direction_problems(
    answers: pd.DataFrame, instruments: pd.DataFrame, visits: pd.DataFrame, schedule: pd.DataFrame
) -> list[dict[str, Any]]:
    """A doubt if most patients are worse at their last visit after surgery than before it.

    Parameters
    ----------
    visits
        With `days`, from `visits_with_windows`.
    """
    problems: list[dict[str, Any]] = []
    for instrument in instruments.to_dict("records"):
        rows = answers[answers["instrument"] == instrument["instrument"]]
        in_range = rows["answer"].between(instrument["lowest"], instrument["highest"]).fillna(False)
        if not instrument["direction_confirmed"]:
            problems += _direction_problem(rows[in_range.astype(bool)], instrument, visits, schedule)
    return problems


def _range_problems(given: pd.Series, instrument: Mapping[Any, Any]) -> list[dict[str, Any]]:
    lowest, highest = instrument["lowest"], instrument["highest"]
    wrong = given[~given.between(lowest, highest)]
    if wrong.empty:
        return []
    if given.min() > lowest and given.max() == highest + 1:
        # One step off from end to end: the file is coded another way, and often the other way round.
        return [
            problem(
                file=file_name("answers"),
                line=int(wrong.index[0]),
                column="answer",
                found=f"answers from {given.min()} to {given.max()} and none of {lowest}",
                count=len(given),
                expected=f"answers from {lowest} to {highest} of {instrument['instrument']}",
                remedy=f"Ask how the forms were coded: an older coding of {lowest + 1} to {highest + 1} may "
                "also mean low is good (a total of 12 to 60 instead of 0 to 48). Recode the file, or declare "
                "lowest, highest and direction in study.toml as the file has them",
            )
        ]
    return grouped_problems(
        wrong,
        file=file_name("answers"),
        column="answer",
        expected=f"an answer from {lowest} to {highest} of {instrument['instrument']}, or an empty cell",
        remedy="Correct the answer, or lowest and highest in study.toml [[instruments]]",
    )


def _direction_problem(
    rows: pd.DataFrame, instrument: Mapping[Any, Any], visits: pd.DataFrame, schedule: pd.DataFrame
) -> list[dict[str, Any]]:
    means = rows.groupby(["patient_id", "visit_id"])["answer"].mean().dropna().reset_index()
    means = means.merge(visits[["patient_id", "visit_id", "days"]], on=["patient_id", "visit_id"])
    means = means.merge(schedule[["visit_id", "latest_days"]], on="visit_id").dropna(subset="days")
    means = means.sort_values("days", kind="stable")
    is_before = (means["latest_days"] <= 0) & (means["days"] <= 0)
    before = means[is_before].groupby("patient_id")["answer"].last()
    after = means[means["days"] > 0].groupby("patient_id")["answer"].last()
    better = 1 if instrument["direction"] == "high is good" else -1
    change = (better * (after - before)).dropna()
    worse = int((change < 0).sum())
    if len(change) < FEWEST_COMPARED or worse < PART_WORSE * len(change):
        return []
    return [
        problem(
            file=file_name("answers"),
            column="answer",
            found=f"{worse} of {len(change)} patients worse after surgery than before",
            count=len(rows),
            expected=f"{instrument['direction']!r} for {instrument['instrument']}, as study.toml says",
            remedy="The direction is not guessed: compare some rows with the forms. If the file is coded the "
            "other way, correct direction or the file; if it is right, write direction_confirmed = true "
            "under the instrument in study.toml",
        )
    ]
