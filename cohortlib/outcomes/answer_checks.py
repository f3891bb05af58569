"""Answers that cannot be scored: unknown instruments, items twice, scores an instrument does not have."""

from __future__ import annotations

from typing import Any

import pandas as pd
from pandas.api.types import is_numeric_dtype

from cohortlib.errors import problem
from cohortlib.outcomes.instruments import INSTRUMENTS, Instrument

#: What one questionnaire is told by.
VISIT = ["patient_id", "visit_id", "instrument"]
_MOST_SHOWN = 20


def answer_problems(answers: pd.DataFrame) -> list[dict[str, Any]]:
    """Problems of an answers table as `questionnaire_scores` takes it; none if it can be scored."""
    keys = [*VISIT, "item"]
    missing = [name for name in (*keys, "answer") if name not in answers]
    text = [n for n in ("item", "answer") if n in answers and not is_numeric_dtype(answers[n])]
    if missing or (text and len(answers)):
        found = f"no column {', '.join(missing)}" if missing else f"text in column {', '.join(text)}"
        expected = f"columns {', '.join((*keys, 'answer'))}, the last two of numbers"
        return [problem(file="answers", found=found, expected=expected, remedy="Give the study's answers")]
    problems = []
    for name in keys:
        if empty := int(answers[name].isna().sum()):
            expected, remedy = "an entry in every row", "Fill in the column; only an answer may be missing"
            wrong = problem(
                file="answers", column=name, found="", count=empty, expected=expected, remedy=remedy
            )
            problems.append(wrong)
    problems += _each_value(
        answers.loc[answers["instrument"].notna() & ~answers["instrument"].isin(INSTRUMENTS), "instrument"],
        expected=f"one of {', '.join(INSTRUMENTS)}",
        remedy="Correct the name, or score only answers of instruments in the catalogue INSTRUMENTS",
    )
    twice = answers[answers.duplicated(keys) & answers[keys].notna().all(axis=1)].head(_MOST_SHOWN)
    for row in (", ".join(map(str, cells)) for cells in twice[keys].itertuples(index=False)):
        remedy = "Remove the row that is not on the form"
        wrong = problem(
            file="answers",
            column=", ".join(keys),
            found=row,
            expected="each item once a visit",
            remedy=remedy,
        )
        problems.append(wrong)
    for name, rule in INSTRUMENTS.items():
        problems += _range_problems(answers[answers["instrument"] == name], rule)
    return problems


def _range_problems(rows: pd.DataFrame, rule: Instrument) -> list[dict[str, Any]]:
    items = rows["item"].dropna()
    problems = _each_value(
        items[~items.isin(range(1, rule.items + 1))],
        expected=f"an item from 1 to {rule.items} of {rule.name}",
        remedy="Correct the number of the item",
    )
    given = rows["answer"].dropna()
    if len(given) and given.min() > rule.lowest and given.max() == rule.highest + 1:
        found = f"answers from {given.min():g} to {given.max():g} and none of {rule.lowest}"
        remedy = (
            "Look at the form: if low is good in this file, recode each answer as "
            f"{rule.lowest + rule.highest + 1} - answer; if high is good, as answer - 1"
        )
        expected = f"answers from {rule.lowest} to {rule.highest} of {rule.name}, {rule.direction}"
        wrong = problem(
            file="answers", column="answer", found=found, count=len(given), expected=expected, remedy=remedy
        )
        return [*problems, wrong]
    return problems + _each_value(
        given[~given.isin(range(rule.lowest, rule.highest + 1))],
        expected=f"a whole number from {rule.lowest} to {rule.highest} for {rule.name}, or no answer",
        remedy="Correct the answer, or leave it empty where none was given",
    )


def _each_value(cells: pd.Series, *, expected: str, remedy: str) -> list[dict[str, Any]]:
    """A problem for each distinct wrong value."""
    counts = cells.value_counts(sort=False).head(_MOST_SHOWN)
    return [
        problem(
            file="answers",
            column=str(cells.name),
            found=value if isinstance(value, str) else f"{value:g}",
            count=int(count),
            expected=expected,
            remedy=remedy,
        )
        for value, count in counts.items()
    ]
