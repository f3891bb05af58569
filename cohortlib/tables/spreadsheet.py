"""Tables as CSV that a spreadsheet shows and does not run: the one place where formulas are made harmless.

Two kinds are written. What is for people goes through `spreadsheet_csv`, which puts an apostrophe where a
spreadsheet would run a text. A table of a study, which the library reads again, goes through `study_csv`: no
letter of it is changed, and a text that begins like a formula is refused, as it is when a study is read.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

import pandas as pd

from cohortlib.errors import StudyError, problem

#: How a text begins that a spreadsheet runs (CWE-1236; OWASP ASVS 5.0, 1.2.10). Full-width and small forms
#: of these signs are the same once normalised.
FORMULA_SIGNS = "=+-@"
#: A text that begins with one of these may lose it, and then begins with what follows.
_BREAKS = "\t\r\n\0"
#: Where a spreadsheet may cut a text into cells: the semicolon where the decimal mark is a comma.
_CUTS = re.compile(r"([;\t\r\n])")
#: Ends a line while it is made: a field that holds one of these letters is put in quotation marks, so that
#: no CR alone begins a line. No text of a table holds them in this order.
_END = "\x1e\r\n"
_NEGATIVE_NUMBER = re.compile(r" *-[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]+)? *", re.ASCII)


def is_formula(text: str) -> bool:
    """Whether a spreadsheet may run a text; a negative number it only shows."""
    if _NEGATIVE_NUMBER.fullmatch(text):
        return False
    return text[:1] in tuple(_BREAKS) or _begins_with_sign(text)


def spreadsheet_text(text: str) -> str:
    """The text, with an apostrophe before each part of it that a spreadsheet would run.

    Notes
    -----
    A part begins at the beginning of the text, and after a semicolon, a tab or a line end: there a
    spreadsheet of another language cuts it into cells. A number is left alone where it is the whole text.
    """
    parts = _CUTS.split(text)
    rest = [f"'{part}" if _begins_with_sign(part) else part for part in parts[1:]]
    return ("'" if is_formula(text) else "") + parts[0] + "".join(rest)


def spreadsheet_csv(table: pd.DataFrame) -> str:
    """A table for people as CSV, without its index; headings and texts are made harmless.

    Notes
    -----
    Numbers keep all their digits and their sign, and what is missing is empty. Lines end with LF. The
    first column should hold ids: a line that a spreadsheet does not cut at its commas is one cell, which
    begins with it.
    """
    safe = table.copy()
    for place, texts in _texts(table):
        safe.isetitem(place, texts.map(spreadsheet_text, na_action="ignore").array)
    safe.columns = pd.Index([spreadsheet_text(str(name)) for name in table.columns], dtype="str")
    return _csv(safe)


def study_csv(table: pd.DataFrame, *, file: str) -> str:
    """A table of a study as CSV, without its index: what is read again is what was written.

    Parameters
    ----------
    table
        Dates and times as they are to be written.
    file
        Its name in messages.

    Raises
    ------
    StudyError
        If a text begins like a formula: a study never holds one.
    """
    problems = [
        problem(
            file=file,
            column=str(table.columns[place]),
            found=text,
            expected="text that a spreadsheet does not run",
            remedy="Write the text itself, without the sign before it",
        )
        for place, texts in _texts(table)
        for text in texts.dropna().unique()
        if is_formula(text)
    ]
    if problems:
        raise StudyError(problems)
    return _csv(table)


def _texts(table: pd.DataFrame) -> Iterator[tuple[int, pd.Series]]:
    """The place of each column that holds no numbers, and its cells as text."""
    for place, kind in enumerate(table.dtypes):
        if not pd.api.types.is_numeric_dtype(kind):
            yield place, table.iloc[:, place].astype("str")


def _csv(table: pd.DataFrame) -> str:
    return table.to_csv(index=False, lineterminator=_END).replace(_END, "\n")


def _begins_with_sign(text: str) -> bool:
    """Whether the first letter that a spreadsheet keeps is the sign of a formula."""
    first = next((letter for letter in text if not _is_skipped(letter)), "")
    return unicodedata.normalize("NFKC", first)[:1] in tuple(FORMULA_SIGNS)


def _is_skipped(letter: str) -> bool:
    """Whether a spreadsheet may drop the letter on its way in: spaces, quotation marks, what is not seen."""
    return letter == '"' or letter.isspace() or unicodedata.category(letter) in ("Cc", "Cf")
