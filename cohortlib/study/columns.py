"""Text cells → typed columns, by the data dictionary.

Kinds become: id, text, choice, path → `str`; integer → `Int64`; number → `float64`; date →
`datetime64[us]`; datetime → `datetime64[us, UTC]`. A choice is `str` and not `category`, because
categories that differ between two tables turn into something else when the tables are merged or
joined end to end, and grouping lists choices nobody made.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.cells import typed_values
from cohortlib.study.grouping import grouped_problems, shown
from cohortlib.study.names import alternatives, nearest_name
from cohortlib.tables import Column

DTYPES = {
    "id": "str",
    "text": "str",
    "choice": "str",
    "path": "str",
    "integer": "Int64",
    "number": "float64",
    "date": "datetime64[us]",
    "datetime": "datetime64[us, UTC]",
}
#: How a study's own column begins; it is read as text and left alone.
OWN_PREFIX = "x_"


def empty_table(columns: Mapping[str, Column]) -> pd.DataFrame:
    """No rows, and the columns of the dictionary with their types."""
    return pd.DataFrame(
        {name: pd.Series([], dtype=DTYPES[column.kind]) for name, column in columns.items()},
        index=pd.RangeIndex(0, name="line"),
    )


def typed_table(
    text: pd.DataFrame,
    columns: Mapping[str, Column],
    *,
    file: str,
    folder: Path,
    decimal: str,
    spellings: Mapping[str, Mapping[str, str]],
) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """Typed columns of one table, and a problem for every cell that is not what its column says.

    Parameters
    ----------
    text
        From `text_table`: categorical text, index = line, a missing cell is reported already.
    columns
        The table's part of the data dictionary.
    folder
        Study folder; a path must stay in it.
    decimal, spellings
        From study.toml: decimal mark, and for a choice column other spellings of the choices.

    Returns
    -------
    table : DataFrame
        Index = line. The columns of the dictionary in its order, then the study's own (`x_…`).
        Wrong and empty cells are missing.
    problems : list
        One a column and distinct wrong value.
    """
    problems = _header_problems(text, columns, file)
    own = {
        name: Column("", name, "text", False, "column of the study's own")
        for name in map(str, text)
        if name.startswith(OWN_PREFIX) and name not in columns  # x_px is the dictionary's
    }
    typed = {}
    for name, column in {**columns, **own}.items():
        if name in text:
            typed[name], wrong = _typed_column(
                text[name], column, file, folder, decimal, spellings.get(name, {})
            )
            problems += wrong
        else:
            typed[name] = pd.Series(index=text.index, dtype=DTYPES[column.kind])
    return pd.DataFrame(typed, index=text.index), problems


def _header_problems(text: pd.DataFrame, columns: Mapping[str, Column], file: str) -> list[dict[str, Any]]:
    missing = [name for name, column in columns.items() if column.required and name not in text]
    unknown = [str(name) for name in text if name not in columns and not str(name).startswith(OWN_PREFIX)]
    problems = []
    for name in missing:
        # The other half of a misspelt name stands among the unknown ones, and says what to rename.
        misspelt = [other for other in unknown if nearest_name(other, columns) == name]
        remedy = f"Rename column {shown(misspelt[0])!r}" if misspelt else "Add the column"
        expected = f"a column {name!r}: {columns[name].meaning}"
        problems.append(
            problem(file=file, line=1, column=name, found="no such column", expected=expected, remedy=remedy)
        )
    for name in unknown:
        near = nearest_name(name, columns)
        other = f"Rename it to {near!r}, or" if near and near not in text else "Delete it, or"
        problems.append(
            problem(
                file=file,
                line=1,
                column=shown(name),
                found=f"unknown column {shown(name)}",
                expected="one of " + alternatives(columns),
                remedy=f"{other} begin the name of a column of your own with {OWN_PREFIX!r}",
            )
        )
    return problems


def _typed_column(
    cells: pd.Series,
    column: Column,
    file: str,
    folder: Path,
    decimal: str,
    spellings: Mapping[str, str],
) -> tuple[pd.Series, list[dict[str, Any]]]:
    # All work is done once a distinct text; the codes then place it in the rows.
    codes = cells.cat.codes.to_numpy()
    texts = pd.Series(cells.cat.categories, dtype="str")
    if spellings:
        texts = texts.replace(dict(spellings))
    empty = (texts == "").to_numpy()
    spaced = (texts != texts.str.strip()).to_numpy()
    found = typed_values(texts.where(~spaced, "") if spaced.any() else texts, column, folder, decimal)
    usable = ~empty & ~spaced & found.right.to_numpy()
    problems: list[dict[str, Any]] = []
    for which, remedy in (
        (empty & column.required, "Fill in the cell"),
        (spaced, "Remove the spaces around it"),
        (~empty & ~spaced & ~usable, found.remedy),
    ):
        if which.any():
            problems += grouped_problems(
                cells[np.append(which, False)[codes]],  # code -1, reported before, meets the False
                file=file,
                column=column.column,
                expected=found.expected,
                remedy=remedy,
            )
    places = np.append(np.where(usable, np.arange(len(texts)), -1), -1)[codes]
    values = pd.api.extensions.take(found.values.array, places, allow_fill=True)
    return pd.Series(values, index=cells.index, dtype=DTYPES[column.kind]), problems
