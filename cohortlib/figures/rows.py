"""The rows given to a figure: checked before anything is drawn, counted, and named by group."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem
from cohortlib.figures.words import NO_BREAK, counted


def check_rows(
    table: pd.DataFrame,
    columns: Sequence[str],
    *,
    name: str,
    numbers: Sequence[str] = (),
    rows: int | None = None,
) -> None:
    """Raise unless the table has the columns, at least one row, and finite or missing numbers.

    Parameters
    ----------
    table
        What a figure is to draw.
    columns
        Columns it must have.
    name
        What the message calls the table.
    numbers
        Those of its columns that hold numbers; missing is allowed, infinite is not.
    rows
        Exact number of rows, where that is known.

    Raises
    ------
    StudyError
        With every problem found.
    """
    problems = [
        problem(
            file=name,
            column=column,
            found="no such column",
            expected="columns " + ", ".join(columns),
            remedy="Give the table as the function that makes it returns it",
        )
        for column in columns
        if column not in table.columns
    ]
    if table.empty or (rows is not None and len(table) != rows):
        problems.append(
            problem(
                file=name,
                found=counted(len(table), "row"),
                expected="at least one row" if rows is None else f"exactly {counted(rows, 'row')}",
                remedy="Look at the selection made before drawing",
            )
        )
    for column in numbers:
        if column not in table.columns:
            continue
        if not pd.api.types.is_numeric_dtype(table[column]) or pd.api.types.is_bool_dtype(table[column]):
            problems.append(
                problem(
                    file=name,
                    column=column,
                    found=f"values of type {table[column].dtype}",
                    expected="numbers",
                    remedy="Convert the column when the table is read",
                )
            )
            continue
        infinite = int(np.isinf(table[column].to_numpy(dtype=float, na_value=np.nan)).sum())
        if infinite:
            problems.append(
                problem(
                    file=name,
                    column=column,
                    found="an infinite value",
                    count=infinite,
                    expected="finite numbers, or missing",
                    remedy="Correct the step that made the value",
                )
            )
    if problems:
        raise StudyError(problems)


def patients_and_hips(table: pd.DataFrame) -> str:
    """How many different patients and hips the rows hold: `38 patients, 44 hips`."""
    patients, hips = int(table["patient_id"].nunique()), int(table["hip_id"].nunique())
    return ", ".join(
        words.replace(" ", NO_BREAK) for words in (counted(patients, "patient"), counted(hips, "hip"))
    )


def column_text(table: pd.DataFrame, column: str) -> str:
    """What a one-row table says in a column of words: `Method: …`; "" where it says nothing."""
    value = table[column].iloc[0] if column in table.columns else ""
    text = "" if pd.isna(value) else str(value).strip()
    return f"{column.capitalize()}: {text}." if text else ""


def group_labels(
    table: pd.DataFrame, by: str, labels: Mapping[str, str] | None, *, name: str
) -> dict[str, str]:
    """Each group's label, in the order in which colours are given.

    Parameters
    ----------
    table
        Rows with a column `by`.
    by
        The grouping column.
    labels
        Value to label, in the study's order, so that an arm keeps its colour in every figure;
        None takes the values themselves, sorted.
    name
        What the message calls the table.

    Raises
    ------
    StudyError
        If a row has no group, or one that `labels` does not name.
    """
    expected = "a group in every row" if labels is None else "one of " + ", ".join(labels)
    problems = []
    missing = int(table[by].isna().sum())
    if missing:
        problems.append(
            problem(
                file=name,
                column=by,
                found="no value",
                count=missing,
                expected=expected,
                remedy="Join the group to the rows before drawing",
            )
        )
    values = sorted(table[by].dropna().astype(str).unique())
    if labels is not None:
        problems += [
            problem(
                file=name,
                column=by,
                found=value,
                count=int((table[by].astype(str) == value).sum()),
                expected=expected,
                remedy="Name the group in `labels`, or leave its rows out",
            )
            for value in values
            if value not in labels
        ]
    if problems:
        raise StudyError(problems)
    return {value: value for value in values} if labels is None else dict(labels)
