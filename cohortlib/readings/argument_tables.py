"""Tables handed over as arguments: the columns that are needed, every value checked."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.readings.cell_checks import column_values
from cohortlib.readings.cells import Rule
from cohortlib.readings.refusals import shown


def checked_table(
    table: pd.DataFrame, rules: Mapping[str, Rule], *, file: str, may_be_empty: Collection[str] = ()
) -> list[dict[str, Any]]:
    """The columns of the rules as rows; other columns are not looked at, a cell without a value is None.

    Raises
    ------
    StudyError
        With every wrong value.
    """
    if not isinstance(table, pd.DataFrame) or table.empty:
        found = "no rows" if isinstance(table, pd.DataFrame) else type(table).__name__
        raise study_error(file=file, found=found, expected="a table with rows", remedy="Give the table")
    problems, columns = [], {}
    for name, rule in rules.items():
        if list(table.columns).count(name) != 1:
            found, expected = "no such column, or two", "the columns " + ", ".join(rules)
            problems.append(
                problem(file=file, column=name, found=found, expected=expected, remedy="Give it once")
            )
            continue
        required = name not in may_be_empty
        cells = table[name].tolist()
        columns[name], wrong = column_values(cells, rule, file=file, name=name, required=required)
        problems += wrong
    if problems:
        raise StudyError(problems)
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def check_once(keys: Iterable[object], *, file: str, column: str) -> None:
    """Refuse what comes a second time.

    Raises
    ------
    StudyError
        Naming the first of them.
    """
    listed = list(keys)
    repeated = pd.Series(listed, dtype=object).map(str).duplicated()
    if repeated.any():
        raise study_error(
            file=file,
            column=column,
            found=shown(listed[int(np.flatnonzero(repeated)[0])]),
            count=int(repeated.sum()),
            expected="each one once",
            remedy="Remove the second",
        )
