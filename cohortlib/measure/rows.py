"""Tables handed over as an argument: whether all their columns are there."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from cohortlib.errors import StudyError, problem
from cohortlib.tables import MEASUREMENT_COLUMNS


def check_measurements(table: pd.DataFrame) -> None:
    """Raise unless a table has the columns of `MEASUREMENT_COLUMNS`.

    Raises
    ------
    StudyError
        With every column that is missing.
    """
    check_columns(table, MEASUREMENT_COLUMNS, name="measurements")


def check_columns(table: pd.DataFrame, columns: Sequence[str], *, name: str) -> None:
    """Raise unless a table has these columns.

    Raises
    ------
    StudyError
        With every column that is missing.
    """
    problems = [
        problem(
            file=name,
            column=column,
            found="no such column",
            expected="columns " + ", ".join(columns),
            remedy="Give the whole table",
        )
        for column in columns
        if column not in table.columns
    ]
    if problems:
        raise StudyError(problems)
