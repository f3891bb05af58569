"""What a cell of each kind may hold, and its value."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from cohortlib.study.dates import time_remedy, times
from cohortlib.study.likely_units import unit_remedy
from cohortlib.study.names import alternatives, meant
from cohortlib.tables import Column
from cohortlib.tables.column import ID_PATTERN

_NUMBER = r"-?[0-9]{1,15}(?:%s[0-9]{1,17})?(?:[eE][+-]?[0-9]{1,2})?"
_INTEGER = r"-?[0-9]{1,15}(?:%s0{1,15})?"  # 4.0 is the whole number 4
# A formula in a cell runs when the table is opened in a spreadsheet; a negative number is none.
_FORMULA = r"[=+@-]"
# Also the marks that turn the direction of what follows, so that it reads as something else.
_CONTROL = r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]"
# No root, no drive or scheme, no backslash, no empty or dotted step.
PATH_PATTERN = r"(?!/)(?!.*//)(?!(?:.*/)?\.{1,2}(?:/|$))[^\\:\x00-\x1f\x7f]+(?<!/)"
_DIGEST = r"[0-9a-f]{64}"
# Marks between thousands are as many as there are customs; they are named, not understood.
_THOUSANDS = r"-?[0-9]{1,3}(?:([., '\u2019\u00a0\u202f])[0-9]{3})(?:\1[0-9]{3})*(?:[.,][0-9]+)?"


class Cells(NamedTuple):
    """Values of distinct texts: the typed values, which texts are right, what is expected, the remedy."""

    values: pd.Series
    right: pd.Series
    expected: str
    remedy: str | Callable[[str], str]


def typed_values(texts: pd.Series, column: Column, folder: Path, decimal: str, dates: str) -> Cells:
    """Values of distinct texts as the kind of the column wants them; wrong ones have any value."""
    if column.kind == "id":
        return _ids(texts)
    if column.kind == "choice":
        return _choices(texts, column)
    if column.kind in ("integer", "number"):
        return _numbers(texts, column, decimal)
    if column.kind in ("date", "datetime"):
        values, right, expected = times(texts, column.kind, dates=dates)
        return Cells(values, right, expected, lambda found: time_remedy(found, dates=dates))
    if column.kind == "path":
        return _paths(texts, folder)
    if column.kind == "digest":
        remedy = "Work the digest out again from the file; it is written with small letters"
        return Cells(texts, _fits(texts, _DIGEST), "64 digits from 0 to f", remedy)
    return _texts(texts)


def _fits(texts: pd.Series, pattern: str) -> pd.Series:
    """Which texts are as the pattern says, from end to end."""
    fits = re.compile(pattern, re.DOTALL).fullmatch
    return pd.Series([fits(text) is not None for text in texts.tolist()], index=texts.index, dtype=bool)


def _ids(texts: pd.Series) -> Cells:
    def remedy(found: str) -> str:
        if found[:1] in ("=", "+", "-", "@"):
            return "Replace the formula by the id itself"
        return "Correct the id, in every table that uses it"

    expected = "an id: up to 64 letters (a-z), digits and _ - . and no - or . at the beginning"
    return Cells(texts, _fits(texts, ID_PATTERN), expected, remedy)


def _texts(texts: pd.Series) -> Cells:
    formula = _fits(texts, _FORMULA + ".*") & ~_fits(texts, _NUMBER % "[.,]")
    right = ~formula & ~_fits(texts, f".*{_CONTROL}.*")
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
    right = _fits(texts, pattern)
    numbers = zip(texts.tolist(), right, strict=True)
    values = pd.Series(
        [float(text.replace(decimal, ".")) if fits else math.nan for text, fits in numbers],
        index=texts.index,
        dtype="float64",
    )
    expected = "a whole number" if whole else "a number"
    if column.allowed:
        least, greatest = column.allowed
        right &= values.between(least, greatest)
        unit = "" if column.unit in ("", "1", "a", "as in unit") else f" {column.unit}"
        expected += f" from {least} to {greatest}{unit}"
    if whole:
        values = values.where(right).round().astype("Int64")
    return Cells(values, right, expected, lambda found: _number_remedy(found, column, decimal))


def _number_remedy(found: str, column: Column, decimal: str) -> str:
    other = "," if decimal == "." else "."
    if found.startswith("<") and column.table == "blood":
        return f"Leave the value empty, write yes in below_limit and {found[1:].strip()} in limit"
    if re.fullmatch(_NUMBER % "[.,]", found):
        if other in found:
            return f'Write the number with {decimal!r}, or declare decimal = "{other}" in study.toml [files]'
        if column.allowed:
            number = float(found.replace(",", "."))
            return unit_remedy(number, column) or "Correct the number"
        return "Correct the number"
    if re.fullmatch(_THOUSANDS, found):
        return "Write the number without marks between the thousands"
    return "Write the number alone, and leave the cell empty where there is none"


def _paths(texts: pd.Series, folder: Path) -> Cells:
    shaped = _fits(texts, PATH_PATTERN) & (texts.str.len() <= 400)
    root = os.path.realpath(folder)
    within = root.rstrip(os.sep) + os.sep

    def place(path: str) -> tuple[str, bool]:
        above, _, name = path.rpartition("/")
        here, is_there = folder_of(above) if above else (within, True)
        is_link = is_there and os.path.islink(here + name)
        return os.path.realpath(here + name) if is_link else here + name, is_there

    @cache
    def folder_of(path: str) -> tuple[str, bool]:
        """Where a folder really is, and whether it is there: looked at once for all that lies in it."""
        here, is_there = place(path)
        return here + os.sep, is_there and os.path.isdir(here)

    # Links are followed on the disk, so only paths that look right are asked for.
    right = [
        ok and place(text)[0].startswith(within) for text, ok in zip(texts.tolist(), shaped, strict=True)
    ]
    expected = (
        "a path below the study folder with / between its steps: no .. , no drive, no link that leaves it"
    )
    remedy = "Move the file into the study folder and write its path from there"
    return Cells(texts, pd.Series(right, index=texts.index, dtype=bool), expected, remedy)
