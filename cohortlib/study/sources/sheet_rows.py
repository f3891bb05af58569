"""Rows of one sheet of a workbook as the file has them: each cell as text, and what it is besides."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from typing import Any

from openpyxl.cell.read_only import ReadOnlyCell
from openpyxl.worksheet._reader import FORMULA_TAG, WorkSheetParser

from cohortlib.study.grouping import shown
from cohortlib.study.sources.csv_file import LONGEST_CELL

#: As many rows as a sheet can have.
MOST_ROWS = 1_048_576
#: What a cell holds; the text alone does not tell.
TEXT, WHOLE, DECIMAL, DAY, MOMENT, PADDED, PERCENT, LOGICAL, ERROR, NO_VALUE, CHANGING, TIME, LONG = range(13)

_EXACT_DIGITS = 15
_PLAIN_ZEROS = re.compile(r"0{2,}")
#: Parts of a number format that are written out as they stand.
_LITERAL = re.compile(r'"[^"]*"|\\.|_.')
#: Functions whose value is another one tomorrow, and references to other files.
_CHANGING = re.compile(
    r"\b(?:TODAY|NOW|RAND|RANDBETWEEN|RANDARRAY|INDIRECT|OFFSET|WEBSERVICE|RTD|CELL|INFO)\(|\[\d+\]|://",
    re.IGNORECASE,
)


class SheetReader(WorkSheetParser):
    """One sheet, read once from top to bottom, with the formulas beside the values last worked out.

    The package's own iteration leaves out rows and cells that are not in order, and fills gaps; here
    nothing is left out, and a disorder is told.

    Attributes
    ----------
    merged_cells
        Set when all rows were read; None if there are none.
    disorder
        Number of the first row that is not below the one before, or below the end of all sheets, or whose
        cells are not from left to right; None if there is none. No row is read behind it.
    """

    def __init__(self, sheet: Any, source: Any) -> None:
        book = sheet.parent
        super().__init__(
            source,
            sheet._shared_strings,
            data_only=True,
            epoch=book.epoch,
            date_formats=book._date_formats,
            timedelta_formats=book._timedelta_formats,
        )
        self.sheet = sheet
        self.shared: dict[str | None, str] = {}
        self.disorder: int | None = None

    def rows(self) -> Iterator[tuple[int, dict[int, tuple[str, int]]]]:
        """Number of each row, from 1, and its cells: column, from 1 → text and form."""
        before = 0
        for number, cells in self.parse():
            columns = [cell["column"] for cell in cells]
            sorted_once = all(left < right for left, right in pairwise(columns))
            is_next = before < number <= MOST_ROWS
            if not is_next or not sorted_once or any(cell["row"] != number for cell in cells):
                self.disorder = number
                return
            before = number
            yield number, {cell["column"]: self._text_and_form(cell) for cell in cells}

    def parse_cell(self, element: Any) -> dict[str, Any]:
        """A cell with its value, and its formula if it has one."""
        cell: dict[str, Any] = super().parse_cell(element)
        formula = element.find(FORMULA_TAG)
        if formula is not None:
            text = formula.text or self.shared.get(formula.get("si"), "")
            self.shared.setdefault(formula.get("si"), text)
            cell["formula"] = text
        return cell

    def _text_and_form(self, cell: dict[str, Any]) -> tuple[str, int]:
        value, formula = cell["value"], cell.pop("formula", None)
        if formula is not None:
            if _CHANGING.search(formula):
                return shown(f"={formula}"), CHANGING
            if value is None and cell["data_type"] != "str":  # an empty text was worked out
                return "a formula without a value", NO_VALUE
        if value is None:
            return "", TEXT
        if isinstance(value, str):
            if cell["data_type"] == "e":
                return value, ERROR
            return (value, TEXT) if len(value) <= LONGEST_CELL else (shown(value), LONG)
        if isinstance(value, bool):
            return str(value).upper(), LOGICAL
        if isinstance(value, int | float):
            return _number(value, ReadOnlyCell(self.sheet, **cell).number_format)
        if isinstance(value, datetime.datetime):
            if value.time() == datetime.time():
                return value.strftime("%Y-%m-%d"), DAY
            return value.isoformat(), MOMENT
        if isinstance(value, datetime.date):
            return value.isoformat(), DAY
        return str(value), TIME


def _number(value: float, number_format: str) -> tuple[str, int]:
    if _has_percent(number_format):
        return f"{value * 100:.10g}%", PERCENT
    if isinstance(value, float):
        return repr(value), DECIMAL
    # Beyond so many digits a spreadsheet has rounded, and some formats show zeros that are not there.
    if abs(value) >= 10**_EXACT_DIGITS:
        return shown(value), DECIMAL
    return str(value), PADDED if _PLAIN_ZEROS.fullmatch(number_format) else WHOLE


@cache
def _has_percent(number_format: str) -> bool:
    """Whether a cell shows a hundred times what it holds."""
    return "%" in _LITERAL.sub("", number_format)
