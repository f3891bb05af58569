"""The cells of one sheet as columns of text, as if it were a CSV file."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.grouping import grouped_problems
from cohortlib.study.sources.csv_file import MOST_COLUMNS, header_problems
from cohortlib.study.sources.sheet_rows import TEXT, SheetReader


class Sheet(NamedTuple):
    """Text cells and their forms (None and empty if there are none), and what is wrong with the sheet."""

    cells: pd.DataFrame | None
    forms: pd.DataFrame
    problems: list[dict[str, Any]]


def sheet_cells(sheet: Any, *, file: str) -> Sheet:
    """The cells of a sheet whose first row names the columns.

    Parameters
    ----------
    sheet
        Of a workbook opened read only.
    file
        The sheet in messages.

    Returns
    -------
    Sheet
        Index of both tables: the row, as the spreadsheet counts.
    """
    with sheet._get_source() as source:
        reader = SheetReader(sheet, source)
        rows = reader.rows()
        header = _header(next(rows, (1, {})))
        problems = header_problems(header, file=file)
        if not any(header) or len(header) > MOST_COLUMNS:
            return Sheet(None, pd.DataFrame(), problems)
        numbers: list[int] = []
        texts: list[list[str]] = [[] for _ in header]
        forms = [bytearray() for _ in header]
        beyond: dict[int, str] = {}
        for number, row in rows:
            filled = [column for column, (text, form) in row.items() if text or form]
            if filled:
                numbers.append(number)
                for place in range(len(header)):
                    text, form = row.get(place + 1, ("", TEXT))
                    texts[place].append(text)
                    forms[place].append(form)
                if filled[-1] > len(header):
                    beyond[number] = row[filled[-1]][0]
    problems += _reader_problems(reader, file) + _row_problems(numbers, beyond, file)
    index = pd.Index(numbers, name="line", dtype="int64")
    first = [header.index(name) for name in dict.fromkeys(header) if name]
    cells = {header[place]: pd.Series(category(texts[place]), index=index) for place in first}
    shaped = {header[place]: pd.Series(np.frombuffer(forms[place], "int8"), index=index) for place in first}
    return Sheet(pd.DataFrame(cells, index=index), pd.DataFrame(shaped, index=index), problems)


def category(texts: list[str]) -> pd.Categorical:
    """Texts, each distinct one once."""
    codes, distinct = pd.factorize(np.array([*texts, ""], dtype=object)[:-1])
    return pd.Categorical.from_codes(codes, categories=pd.Index(distinct, dtype="str"))


def _header(first: tuple[int, dict[int, tuple[str, int]]]) -> list[str]:
    number, row = first
    names = {column: text for column, (text, _) in row.items() if text and number == 1}
    return [names.get(column, "") for column in range(1, min(max(names, default=0), MOST_COLUMNS + 1) + 1)]


def _reader_problems(reader: SheetReader, file: str) -> list[dict[str, Any]]:
    """Merged cells, of which only one has a value, and a sheet that is not in order."""
    problems = []
    if reader.merged_cells:
        remedy = "Split the merged cells and write the value into each of them"
        problems.append(
            problem(file=file, found="merged cells", expected="a value in each cell", remedy=remedy)
        )
    if reader.disorder is not None:
        remedy = "Open the file in the spreadsheet program and save it as .xlsx"
        expected, line = "rows from top to bottom and cells from left to right", reader.disorder
        problems.append(
            problem(file=file, line=line, found="a row out of order", expected=expected, remedy=remedy)
        )
    return problems


def _row_problems(numbers: list[int], beyond: dict[int, str], file: str) -> list[dict[str, Any]]:
    gaps = np.setdiff1d(np.arange(2, max(numbers, default=2)), numbers)
    problems = grouped_problems(
        pd.Series("an empty line", index=gaps, dtype="str"),
        file=file,
        column="",
        expected="a row with values",
        remedy="Delete the row",
    )
    return problems + grouped_problems(
        pd.Series(beyond, dtype="str"),
        file=file,
        column="",
        expected="a value below a heading",
        remedy="Name the column in the first row, or delete what stands in it",
    )
