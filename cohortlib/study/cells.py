"""What a cell of each kind may hold, and its value."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from cohortlib.study.names import alternatives, meant
from cohortlib.tables import Column

#: An id may become part of a file name and may be opened in a spreadsheet.
ID_PATTERN = r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,63}"
_NUMBER = r"-?[0-9]{1,15}(?:%s[0-9]{1,17})?(?:[eE][+-]?[0-9]{1,2})?"
_INTEGER = r"-?[0-9]{1,15}(?:%s0{1,15})?"  # 4.0 is the whole number 4
_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_DATETIME = _DATE + r"[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?(?:Z|[+-][0-9]{2}:[0-9]{2})?"
# A formula in a cell runs when the table is opened in a spreadsheet; a negative number is none.
_FORMULA = r"[=+@-]"
# Also the marks that turn the direction of what follows, so that it reads as something else.
_CONTROL = r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]"
# No root, no drive or scheme, no backslash, no empty or dotted step.
_PATH = r"(?!/)(?!.*//)(?!(?:.*/)?\.{1,2}(?:/|$))[^\\:\x00-\x1f\x7f]+(?<!/)"
EARLIEST, LATEST = pd.Timestamp("1900-01-01"), pd.Timestamp("2199-12-31")


class Cells(NamedTuple):
    """Values of distinct texts: the typed values, which texts are right, what is expected, the remedy."""

    values: pd.Series
    right: pd.Series
    expected: str
    remedy: str | Callable[[str], str]


def typed_values(texts: pd.Series, column: Column, folder: Path, decimal: str) -> Cells:
    """Values of distinct texts as the kind of the column wants them; wrong ones have any value."""
    if column.kind == "id":
        return _ids(texts)
    if column.kind == "choice":
        return _choices(texts, column)
    if column.kind in ("integer", "number"):
        return _numbers(texts, column, decimal)
    if column.kind in ("date", "datetime"):
        return _times(texts, column.kind)
    if column.kind == "path":
        return _paths(texts, folder)
    return _texts(texts)


def _ids(texts: pd.Series) -> Cells:
    def remedy(found: str) -> str:
        if found[:1] in ("=", "+", "-", "@"):
            return "Replace the formula by the id itself"
        return "Correct the id, in every table that uses it"

    expected = "an id: up to 64 letters (a-z), digits and _ - . and no - or . at the beginning"
    return Cells(texts, texts.str.fullmatch(ID_PATTERN), expected, remedy)


def _texts(texts: pd.Series) -> Cells:
    formula = texts.str.match(_FORMULA) & ~texts.str.fullmatch(_NUMBER % "[.,]")
    right = ~formula & ~texts.str.contains(_CONTROL)
    expected = "text that does not begin with = + - @ and holds no control characters"
    return Cells(texts, right, expected, "Write the text itself; it must not run as a formula")


def _choices(texts: pd.Series, column: Column) -> Cells:
    def remedy(found: str) -> str:
        place = f"study.toml [spellings.{column.column}]"
        return f"Correct the file or add the spelling to {place}{meant(found, column.allowed)}"

    return Cells(texts, texts.isin(column.allowed), alternatives(column.allowed), remedy)


def _numbers(texts: pd.Series, column: Column, decimal: str) -> Cells:
    whole = column.kind == "integer"
    pattern = (_INTEGER if whole else _NUMBER) % f"[{decimal}]"
    other = "," if decimal == "." else "."

    def remedy(found: str) -> str:
        if pd.Series([found.replace(other, decimal)]).str.fullmatch(_NUMBER % f"[{decimal}]").item():
            if other in found:
                return (
                    f'Write the number with {decimal!r}, or declare decimal = "{other}" in study.toml [files]'
                )
            return "Correct the number"
        return "Write the number alone, and leave the cell empty where there is none"

    right = texts.str.fullmatch(pattern)
    values = pd.to_numeric(texts.where(right).str.replace(decimal, "."), errors="coerce").astype("float64")
    expected = "a whole number" if whole else "a number"
    if column.allowed:
        least, greatest = column.allowed
        right &= values.between(least, greatest)
        unit = "" if column.unit in ("", "1", "a") else f" {column.unit}"
        expected += f" from {least} to {greatest}{unit}"
    if whole:
        return Cells(values.where(right).round().astype("Int64"), right, expected, remedy)
    return Cells(values, right, expected, remedy)


def _times(texts: pd.Series, kind: str) -> Cells:
    pattern, example = (_DATE, "2031-06-30") if kind == "date" else (_DATETIME, "2031-06-30T09:15:00Z")
    shaped = texts.where(texts.str.fullmatch(pattern))
    values = pd.to_datetime(shaped, format="ISO8601", errors="coerce", utc=True).dt.as_unit("us")
    days = values.dt.tz_localize(None)
    expected = f"a {kind} as year-month-day, such as {example}, between {EARLIEST.year} and {LATEST.year}"
    remedy = "Write the date so; a spreadsheet shows it so when the cells are formatted as YYYY-MM-DD"
    return Cells(days if kind == "date" else values, days.between(EARLIEST, LATEST), expected, remedy)


def _paths(texts: pd.Series, folder: Path) -> Cells:
    root = os.path.realpath(folder)

    def stays(text: str) -> bool:
        return os.path.realpath(os.path.join(root, text)).startswith(root.rstrip(os.sep) + os.sep)

    shaped = texts.str.fullmatch(_PATH) & (texts.str.len() <= 400)
    # Links are followed on the disk, so only paths that look right are asked for.
    right = [bool(ok) and stays(text) for text, ok in zip(texts, shaped, strict=True)]
    expected = (
        "a path below the study folder with / between its steps: no .. , no drive, no link that leaves it"
    )
    remedy = "Move the file into the study folder and write its path from there"
    return Cells(texts, pd.Series(right, index=texts.index, dtype=bool), expected, remedy)
