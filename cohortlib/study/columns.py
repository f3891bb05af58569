"""Text cells → typed columns, by the data dictionary.

Kinds become: id, text, choice, path, digest → `str`; integer → `Int64`; number → `float64`; date →
`datetime64[us]`; datetime → `datetime64[us, UTC]`. A choice is `str` and not `category` in a Study,
because categories that differ between two tables turn into something else when the tables are merged or
joined end to end, and grouping lists choices nobody made. While a study is checked texts are categories:
a million cells are then few texts and small numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.study.cells import typed_values
from cohortlib.study.grouping import grouped_problems, shown
from cohortlib.study.sources.headings import OWN_PREFIX
from cohortlib.tables import DICTIONARY, Column

DTYPES = {
    "id": "str",
    "text": "str",
    "choice": "str",
    "path": "str",
    "digest": "str",
    "integer": "Int64",
    "number": "float64",
    "date": "datetime64[us]",
    "datetime": "datetime64[us, UTC]",
}


def empty_table(columns: Mapping[str, Column]) -> pd.DataFrame:
    """No rows, and the columns of the dictionary with their types."""
    return pd.DataFrame(
        {name: pd.Series([], dtype=DTYPES[column.kind]) for name, column in columns.items()},
        index=pd.RangeIndex(0, name="line"),
    )


@cache
def no_rows(table: str) -> pd.DataFrame:
    """No rows of a table, its texts as categories."""
    index = pd.RangeIndex(0, name="line")
    rows = {name: _no_values(index, column) for name, column in DICTIONARY[table].items()}
    return pd.DataFrame(rows, index=index, copy=False)


def plain_table(table: pd.DataFrame) -> pd.DataFrame:
    """A typed table with its texts as `str`, as a Study has them."""
    rows = {name: plain_texts(cells) for name, cells in table.items()}
    return pd.DataFrame(rows, index=table.index, copy=False)


def plain_texts(cells: pd.Series) -> pd.Series:
    """Cells with texts as `str` and not as categories; other kinds as they are."""
    if not isinstance(cells.dtype, pd.CategoricalDtype):
        return cells
    texts = cells.cat.categories
    if len(texts) == 0:
        return pd.Series(index=cells.index, dtype="str")
    return pd.Series(
        texts.array.take(cells.cat.codes.to_numpy(), allow_fill=True), index=cells.index, copy=False
    )


def typed_table(
    text: pd.DataFrame,
    columns: Mapping[str, Column],
    *,
    file: str,
    folder: Path,
    decimal: str,
    spellings: Mapping[str, Mapping[str, str]],
    dates: str = "year first",
) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """Typed columns of one table, and a problem for every cell that is not what its column says.

    Parameters
    ----------
    text
        From `text_table`: categorical text, index = line, a missing cell is reported already.
    columns
        The table's part of the data dictionary; what else is no column of the study's own is left out.
    folder
        Study folder; a path must stay in it.
    decimal, dates, spellings
        From study.toml: decimal mark, order of the parts of a date, and for a column other spellings of
        its choices.

    Returns
    -------
    table : DataFrame
        Index = line. The columns of the dictionary in its order, then the study's own (`x_…`); texts are
        categorical. Wrong and empty cells are missing.
    problems : list
        One a column and distinct wrong value.
    """
    problems: list[dict[str, Any]] = []
    own = {
        name: Column("", name, "text", False, "column of the study's own")
        for name in map(str, text)
        if name.startswith(OWN_PREFIX) and name not in columns  # x_px is the dictionary's
    }
    typed = {}
    for name, column in {**columns, **own}.items():
        if name in text:
            typed[name], wrong = _typed_column(
                text[name], column, file, folder, decimal, dates, spellings.get(name, {})
            )
            problems += wrong
        else:
            typed[name] = _no_values(text.index, column)
    return pd.DataFrame(typed, index=text.index, copy=False), problems


def _typed_column(
    cells: pd.Series,
    column: Column,
    file: str,
    folder: Path,
    decimal: str,
    dates: str,
    spellings: Mapping[str, str],
) -> tuple[pd.Series, list[dict[str, Any]]]:
    # All work is done once a distinct text; the codes then place it in the rows.
    codes = cells.cat.codes.to_numpy()
    texts = pd.Series(cells.cat.categories, dtype="str")
    if spellings:
        texts = texts.replace({key: value for key, value in spellings.items() if key in set(texts)})
    listed = texts.tolist()
    empty = np.array([text == "" for text in listed], dtype=bool)
    spaced = np.array([text != text.strip() for text in listed], dtype=bool)
    found = typed_values(texts.where(~spaced, "") if spaced.any() else texts, column, folder, decimal, dates)
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
                column=shown(column.column),
                expected=found.expected,
                remedy=remedy,
            )
    if DTYPES[column.kind] == "str":
        # Two spellings may be one text, so the texts are counted again.
        places, distinct = pd.factorize(texts.where(usable))
        return _category(places, pd.Index(distinct, dtype="str"), codes, cells.index), problems
    places = np.where(usable, np.arange(len(texts)), -1)
    values = pd.api.extensions.take(found.values.array, np.append(places, -1)[codes], allow_fill=True)
    return pd.Series(values, index=cells.index, dtype=DTYPES[column.kind], copy=False), problems


def _category(places: np.ndarray, distinct: pd.Index, codes: np.ndarray, index: pd.Index) -> pd.Series:
    """Texts by the number of their cell's text; −1 is none."""
    if len(places) != len(distinct) or not (places == np.arange(len(places))).all():
        codes = np.append(places, -1)[codes]
    return pd.Series(pd.Categorical.from_codes(codes, categories=distinct), index=index, copy=False)


def _no_values(index: pd.Index, column: Column) -> pd.Series:
    if DTYPES[column.kind] == "str":
        nothing = pd.Categorical.from_codes(np.full(len(index), -1), categories=pd.Index([], dtype="str"))
        return pd.Series(nothing, index=index)
    return pd.Series(index=index, dtype=DTYPES[column.kind])
