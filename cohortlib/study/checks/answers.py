"""Answers against the instrument's definition in study.toml: items, range, coding and direction."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.checks.coded import distinct_codes, places_of, row_codes, texts
from cohortlib.study.grouping import file_name, grouped_problems

#: The direction is doubted when at least so many patients can be compared …
FEWEST_COMPARED = 5
#: … and at least this part of them is worse after surgery than before. Common practice, no source:
#: after a hip replacement about one patient in twenty is; a reversed file turns that round.
PART_WORSE = 0.8


def coding_problems(answers: pd.DataFrame, instruments: pd.DataFrame) -> list[dict[str, Any]]:
    """Item numbers and answers an instrument does not have, or a file coded another way than declared."""
    problems: list[dict[str, Any]] = []
    numbers, given = answers["item"], answers["answer"]
    wrong_item = _outside(_floats(numbers), _limits(answers, instruments, 1, "items"))
    wrong_answer = _outside(_floats(given), _limits(answers, instruments, "lowest", "highest"))
    if not wrong_item.any() and not wrong_answer.any():
        return []
    for instrument in instruments.to_dict("records"):
        of_instrument = (answers["instrument"] == instrument["instrument"]).to_numpy()
        problems += grouped_problems(
            numbers[wrong_item & of_instrument],
            file=file_name("answers"),
            column="item",
            expected=f"an item from 1 to {instrument['items']} of {instrument['instrument']}",
            remedy="Correct the number, or items in study.toml [[instruments]]",
        )
        if (wrong_answer & of_instrument).any():
            problems += _range_problems(given[of_instrument].dropna(), instrument)
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
    forms = _forms(answers, visits, schedule)
    if forms is None:
        return []
    number, is_before, patient = forms
    given = _floats(answers["answer"])
    wrong = _outside(given, _limits(answers, instruments, "lowest", "highest"))
    usable = ~(wrong | np.isnan(given))
    # One bin a form and instrument; the first of each is for what belongs to none.
    width = len(patient) + 1
    bins = (answers["instrument"].cat.codes.to_numpy() + np.int64(1)) * width
    bins += number + 1
    count = (len(answers["instrument"].cat.categories) + 1) * width
    answered = np.bincount(bins, weights=usable, minlength=count)
    total = np.bincount(bins, weights=np.where(usable, given, 0), minlength=count)
    problems: list[dict[str, Any]] = []
    for instrument in instruments.to_dict("records"):
        at = answers["instrument"].cat.categories.get_indexer(pd.Index([instrument["instrument"]]))[0]
        if instrument["direction_confirmed"] or at < 0:
            continue
        own = slice((at + 1) * width + 1, (at + 2) * width)
        filled = answered[own] > 0
        means = pd.Series(total[own] / np.where(filled, answered[own], 1), index=patient)
        before, after = means[filled & is_before], means[filled & ~is_before]
        last = [part[~part.index.duplicated(keep="last")] for part in (before, after)]
        problems += _direction_problem(last[0], last[1], instrument, int(answered[own].sum()))
    return problems


def _limits(
    answers: pd.DataFrame, instruments: pd.DataFrame, least: str | int, greatest: str
) -> tuple[np.ndarray, np.ndarray]:
    """For each row, or for all, what its instrument says; where there is none, nothing is outside."""
    place = pd.Index(instruments["instrument"]).get_indexer(answers["instrument"].cat.categories)
    codes = answers["instrument"].cat.codes.to_numpy()
    ends = []
    for end, none in ((least, -np.inf), (greatest, np.inf)):
        values = np.append(np.full(len(instruments), end) if isinstance(end, int) else instruments[end], none)
        of_category = np.append(values[place], none if (codes < 0).any() else values[place[:1]])
        same = len(of_category) > 0 and (of_category == of_category[0]).all()
        ends.append(of_category[:1] if same else of_category[codes])
    return ends[0], ends[1]


def _forms(
    answers: pd.DataFrame, visits: pd.DataFrame, schedule: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Number of each answer's form in the order of days (−1 for none), and of the forms: before, patient."""
    dated = visits.merge(schedule[["visit_id", "latest_days"]], on="visit_id").dropna(subset="days")
    dated = dated.dropna(subset=["patient_id", "visit_id"]).drop_duplicates(["patient_id", "visit_id"])
    is_before = (dated["latest_days"] <= 0) & (dated["days"] <= 0)
    dated = dated[is_before | (dated["days"] > 0)].sort_values("days", kind="stable")
    if dated.empty or answers.empty:
        return None
    # A million answers are few forms; only those are looked up.
    codes, size = row_codes(answers, ["patient_id", "visit_id"])
    seen = distinct_codes(codes, size)
    patients, ids = answers["patient_id"].cat.categories, answers["visit_id"].cat.categories
    at = patients.get_indexer(pd.Index(texts(dated["patient_id"])))
    when = ids.get_indexer(pd.Index(texts(dated["visit_id"])))
    own = np.where((at >= 0) & (when >= 0), at * len(ids) + when, -1)
    place = pd.Index(own[own >= 0]).get_indexer(pd.Index(seen))
    number = places_of(codes, size, seen, np.append(np.flatnonzero(own >= 0), -1)[place])
    before = (dated["latest_days"] <= 0) & (dated["days"] <= 0)
    return number, before.to_numpy(dtype=bool), texts(dated["patient_id"]).to_numpy()


def _outside(values: np.ndarray, limits: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    return (values < limits[0]) | (values > limits[1])  # not a number is neither


def _floats(cells: pd.Series) -> np.ndarray:
    return cells.to_numpy(dtype="float64", na_value=np.nan)


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
    before: pd.Series, after: pd.Series, instrument: Mapping[Any, Any], rows: int
) -> list[dict[str, Any]]:
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
            count=rows,
            expected=f"{instrument['direction']!r} for {instrument['instrument']}, as study.toml says",
            remedy="The direction is not guessed: compare some rows with the forms. If the file is coded the "
            "other way, correct direction or the file; if it is right, write direction_confirmed = true "
            "under the instrument in study.toml",
        )
    ]
