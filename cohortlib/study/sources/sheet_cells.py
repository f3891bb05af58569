"""Cells of one sheet as text, and what a spreadsheet may have changed: dates, numbers, zeros in front."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.grouping import grouped_problems, shown
from cohortlib.study.sources.csv_file import LONGEST_CELL, MOST_COLUMNS, header_problems
from cohortlib.study.sources.places import Piece
from cohortlib.tables import Column

#: As many rows as a sheet can have.
MOST_ROWS = 1_048_576
#: What a cell holds; the text alone does not tell.
TEXT, WHOLE, DECIMAL, DAY, MOMENT, PADDED, LOGICAL, ERROR, NO_VALUE, TIME, LONG = range(11)

_PLAIN_ZEROS = re.compile(r"0{2,}")
_EXACT_DIGITS = 15
#: Kinds of columns and the forms that a spreadsheet may hold them in; text may always stand there.
_RIGHT_FORMS = {
    "id": {WHOLE},
    "digest": {WHOLE},
    "path": {WHOLE},
    "text": {WHOLE, DECIMAL},
    "choice": {WHOLE, DECIMAL},
    "integer": {WHOLE, DECIMAL, PADDED},
    "number": {WHOLE, DECIMAL, PADDED},
    "date": {DAY, WHOLE, DECIMAL},
    "datetime": {DAY, MOMENT, WHOLE, DECIMAL},
}
_AS_TEXT = "format the column as text, enter it again"
_AS_IS = "Format the column as the dictionary has it, enter it again"
#: Form → what is expected, and the remedy.
_CHANGED = {
    DECIMAL: ("an id as text", f"The spreadsheet took the id for a number: {_AS_TEXT}"),
    DAY: ("no date", f"The spreadsheet took it for a date: {_AS_TEXT}"),
    MOMENT: ("no time of day", _AS_IS),
    PADDED: ("an id as text", f"The zeros in front are shown and not stored: {_AS_TEXT}"),
    LOGICAL: ("no logical value", f"The spreadsheet took it for true or false: {_AS_TEXT}"),
    ERROR: ("a value", "The spreadsheet could not work it out: correct the formula, or write the value"),
    NO_VALUE: (
        "a value",
        "The formula was never worked out, and no formula is run here: open the file in the spreadsheet "
        "program and save it, or write the value itself",
    ),
    TIME: ("no time of day", _AS_IS),
    LONG: (f"at most {LONGEST_CELL} letters in a cell", "Correct the cell"),
}


class Sheet(NamedTuple):
    """Text cells and their forms (None and empty if there are none), and what is wrong with the sheet."""

    cells: pd.DataFrame | None
    forms: pd.DataFrame
    problems: list[dict[str, Any]]


def sheet_cells(values: Any, formulas: Any, *, file: str) -> Sheet:
    """The cells of a sheet whose first row names the columns.

    Parameters
    ----------
    values
        The sheet, read only, with the values that were last worked out.
    formulas
        The same sheet with its formulas; None if it has none.
    file
        The sheet in messages.

    Returns
    -------
    Sheet
        Index of both tables: the row, as the spreadsheet counts.
    """
    rows = _rows(values, formulas)
    header = [text for text, _ in next(rows, [])]
    while header and not header[-1]:
        header.pop()
    problems = header_problems(header, file=file)
    if not any(header) or len(header) > MOST_COLUMNS:
        return Sheet(None, pd.DataFrame(), problems)
    numbers: list[int] = []
    texts: list[list[str]] = [[] for _ in header]
    forms: list[list[int]] = [[] for _ in header]
    empty: list[int] = []
    beyond: list[tuple[int, str]] = []
    for number, row in enumerate(rows, start=2):
        if number > MOST_ROWS:
            found, remedy = f"more than {MOST_ROWS} rows", "Delete what stands below the table"
            return Sheet(
                None, pd.DataFrame(), [problem(file=file, found=found, expected="a table", remedy=remedy)]
            )
        if not any(text or form for text, form in row):
            empty.append(number)
            continue
        numbers.append(number)
        for place in range(len(header)):
            text, form = row[place] if place < len(row) else ("", TEXT)
            texts[place].append(text)
            forms[place].append(form)
        beyond += [(number, text) for text, _ in row[len(header) :] if text]
    index = pd.Index(numbers, name="line", dtype="int64")
    last = numbers[-1] if numbers else 1
    problems += _row_problems([number for number in empty if number < last], beyond, file)
    first = [header.index(name) for name in dict.fromkeys(header) if name]
    cells = {header[place]: pd.Series(_category(texts[place]), index=index) for place in first}
    shaped = {header[place]: pd.Series(forms[place], index=index, dtype="int8") for place in first}
    return Sheet(pd.DataFrame(cells, index=index), pd.DataFrame(shaped, index=index), problems)


def form_problems(
    cells: pd.DataFrame, forms: pd.DataFrame, kinds: Mapping[str, Column], piece: Piece, *, decimal: str
) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """The cells without those that a spreadsheet changed into something else, which are reported.

    Parameters
    ----------
    cells
        Text cells under the dictionary's names.
    forms
        Under the headings of the sheet.
    kinds
        Name in `cells` → what the cells must be; a column that is not there may hold anything.
    piece
        The sheet and its headings.
    decimal
        Decimal mark that the texts of numbers get.
    """
    problems: list[dict[str, Any]] = []
    checked = {}
    for name, column in cells.items():
        form = forms[piece.headings.get(str(name), str(name))].to_numpy()
        kind = kinds[str(name)].kind if str(name) in kinds else "text"
        wrong = ~np.isin(form, [TEXT, *_RIGHT_FORMS[kind]])
        if kind in ("date", "datetime") or str(name) not in kinds:
            # A wrong date is told by its text; what is no column of the dictionary is read as it is.
            wrong = np.isin(form, [ERROR, NO_VALUE, LONG])
        for value in np.unique(form[wrong]).tolist():
            expected, remedy = _CHANGED[value]
            rows = column[(form == value) & wrong]
            rows = rows.astype("str").replace("", "a formula without a value") if value == NO_VALUE else rows
            problems += grouped_problems(
                rows, file=piece.file, column=piece.heading(str(name)), expected=expected, remedy=remedy
            )
        column = column.where(~wrong) if wrong.any() else column
        numbers = form == DECIMAL
        if decimal != "." and numbers.any():
            texts = column.astype("str").where(~numbers, column.astype("str").str.replace(".", decimal))
            column = pd.Series(_category(texts.tolist()), index=column.index)
        checked[name] = column
    return pd.DataFrame(checked, index=cells.index), problems


def _rows(values: Any, formulas: Any) -> Iterator[list[tuple[str, int]]]:
    values.reset_dimensions()  # what the file says of its own size may be wrong
    if formulas is None:
        for row in values.iter_rows():
            yield [_text_and_form(cell) for cell in row]
        return
    formulas.reset_dimensions()
    for row, other in zip(values.iter_rows(), formulas.iter_rows(), strict=False):
        cells = [_text_and_form(cell) for cell in row]
        for place, cell in enumerate(other):
            if cell.data_type == "f" and place < len(cells) and row[place].value is None:
                cells[place] = ("", NO_VALUE)
        yield cells


def _text_and_form(cell: Any) -> tuple[str, int]:
    value = cell.value
    if value is None:
        return "", TEXT
    if isinstance(value, str):
        if cell.data_type == "e":
            return value, ERROR
        return (value, TEXT) if len(value) <= LONGEST_CELL else (shown(value), LONG)
    if isinstance(value, bool):
        return str(value).upper(), LOGICAL
    if isinstance(value, int):
        # Beyond so many digits a spreadsheet has rounded, and some formats show zeros that are not there.
        if len(str(abs(value))) > _EXACT_DIGITS:
            return str(value)[:LONGEST_CELL], DECIMAL
        return str(value), PADDED if _PLAIN_ZEROS.fullmatch(cell.number_format) else WHOLE
    if isinstance(value, float):
        return repr(value), DECIMAL
    if isinstance(value, datetime.datetime):
        if value.time() == datetime.time():
            return value.strftime("%Y-%m-%d"), DAY
        return value.isoformat(), MOMENT
    if isinstance(value, datetime.date):
        return value.isoformat(), DAY
    return str(value), TIME


def _row_problems(empty: list[int], beyond: list[tuple[int, str]], file: str) -> list[dict[str, Any]]:
    problems = grouped_problems(
        pd.Series("an empty line", index=empty, dtype="str"),
        file=file,
        column="",
        expected="a row with values",
        remedy="Delete the row",
    )
    return problems + grouped_problems(
        pd.Series([text for _, text in beyond], index=[row for row, _ in beyond], dtype="str"),
        file=file,
        column="",
        expected="a value below a heading",
        remedy="Name the column in the first row, or delete what stands in it",
    )


def _category(texts: list[str]) -> pd.Categorical:
    codes, distinct = pd.factorize(np.array([*texts, ""], dtype=object)[:-1])
    return pd.Categorical.from_codes(codes, categories=pd.Index(distinct, dtype="str"))
