"""What a spreadsheet may have changed: dates, numbers, zeros in front, formulas that never stay the same."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.study.grouping import grouped_problems
from cohortlib.study.sources.csv_file import LONGEST_CELL
from cohortlib.study.sources.places import Piece
from cohortlib.study.sources.sheet_cells import category
from cohortlib.study.sources.sheet_rows import (
    CHANGING,
    DAY,
    DECIMAL,
    ERROR,
    LOGICAL,
    LONG,
    MOMENT,
    NO_VALUE,
    PADDED,
    PERCENT,
    TEXT,
    TIME,
    WHOLE,
)
from cohortlib.tables import Column

#: Kinds of columns and the forms that a spreadsheet may hold them in; text may always stand there.
_RIGHT_FORMS = {
    "id": (WHOLE,),
    "digest": (WHOLE,),
    "path": (WHOLE,),
    "text": (WHOLE, DECIMAL),
    "choice": (WHOLE, DECIMAL),
    "integer": (WHOLE, DECIMAL, PADDED),
    "number": (WHOLE, DECIMAL, PADDED),
    # A wrong date is told by its text.
    "date": (DAY, MOMENT, WHOLE, DECIMAL, PADDED, LOGICAL, TIME, PERCENT),
}
_RIGHT_FORMS["datetime"] = _RIGHT_FORMS["date"]
#: A column that is none of the dictionary may hold anything that is a value.
_VALUES = _RIGHT_FORMS["date"]

_AS_TEXT = "format the column as text, enter it again"
_AS_IS = "Format the column as the dictionary has it, enter it again"
#: Form → what is expected, and the remedy.
_CHANGED = {
    DECIMAL: ("an id as text", f"The spreadsheet took the id for a number: {_AS_TEXT}"),
    DAY: ("no date", f"The spreadsheet took it for a date: {_AS_TEXT}"),
    MOMENT: ("no time of day", _AS_IS),
    PADDED: ("an id as text", f"The zeros in front are shown and not stored: {_AS_TEXT}"),
    PERCENT: (
        "the number itself",
        "The cell shows a hundred times what it holds: format the column as a number, and look whether all "
        "of its values are as meant",
    ),
    LOGICAL: ("no logical value", f"The spreadsheet took it for true or false: {_AS_TEXT}"),
    ERROR: ("a value", "The spreadsheet could not work it out: correct the formula, or write the value"),
    NO_VALUE: (
        "a value",
        "The formula was never worked out, and no formula is run here: open the file in the spreadsheet "
        "program and save it, or write the value itself",
    ),
    CHANGING: (
        "a value that stays",
        "The formula asks the clock, chance or another file: write the value itself",
    ),
    TIME: ("no time of day", _AS_IS),
    LONG: (f"at most {LONGEST_CELL} letters in a cell", "Correct the cell"),
}


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
        Name in `cells` → what the cells must be; a column that is not there may hold any value.
    piece
        The sheet and its headings.
    decimal
        Decimal mark that the texts of numbers get.
    """
    problems: list[dict[str, Any]] = []
    checked = {}
    for name, column in cells.items():
        form = forms[piece.headings.get(str(name), str(name))].to_numpy()
        right = _RIGHT_FORMS[kinds[str(name)].kind] if str(name) in kinds else _VALUES
        wrong = ~np.isin(form, [TEXT, *right])
        for value in np.unique(form[wrong]).tolist():
            expected, remedy = _CHANGED[value]
            problems += grouped_problems(
                column[form == value],
                file=piece.file,
                column=piece.heading(str(name)),
                expected=expected,
                remedy=remedy,
            )
        column = column.where(~wrong) if wrong.any() else column
        numbers = form == DECIMAL
        if decimal != "." and numbers.any():
            texts = column.astype("str").where(~numbers, column.astype("str").str.replace(".", decimal))
            column = pd.Series(category(texts.tolist()), index=column.index)
        checked[name] = column
    return pd.DataFrame(checked, index=cells.index), problems
