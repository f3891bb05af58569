"""What a value of a reading may be; whatever else comes in is named and refused."""

from __future__ import annotations

import datetime
import numbers
import re
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from cohortlib.readings.clock import time_text
from cohortlib.tables.column import ID_PATTERN

_ID = re.compile(ID_PATTERN)
_SHA256 = re.compile(r"[0-9a-f]{64}")
_LONGEST_TEXT = 400
_FIRST_YEAR, _LAST_YEAR = 1900, 2199


class Wrong(Exception):
    """A value that is not what its column says."""


class Rule(NamedTuple):
    """What a column holds: the value it becomes, or `Wrong`; what is expected; what to do."""

    value: Callable[[Any], Any]
    expected: str
    remedy: str = "Correct the value"


def is_missing(value: object) -> bool:
    """Whether there is no value: None, NaN, NaT or NA."""
    if value is None or value is pd.NA or value is pd.NaT:
        return True
    return isinstance(value, numbers.Real) and bool(value != value)


def text_like(pattern: re.Pattern[str], expected: str) -> Rule:
    """Text that the pattern fits from end to end."""

    def value(found: Any) -> str:
        if not isinstance(found, str) or len(found) > _LONGEST_TEXT or not pattern.fullmatch(found):
            raise Wrong
        return str(found)

    return Rule(value, expected)


def one_of(allowed: tuple[str, ...]) -> Rule:
    """One of the words."""

    def value(found: Any) -> str:
        if not isinstance(found, str) or found not in allowed:
            raise Wrong
        return str(found)

    return Rule(value, "one of " + ", ".join(map(repr, allowed)))


def number(least: float, greatest: float, unit: str) -> Rule:
    """A finite number in a range."""

    def value(found: Any) -> float:
        if not isinstance(found, numbers.Real) or isinstance(found, bool):
            raise Wrong
        try:
            as_float = float(found)
        except OverflowError:
            raise Wrong from None
        if not least <= as_float <= greatest:
            raise Wrong
        return as_float + 0.0  # no negative zero: equal numbers are written alike

    return Rule(value, f"a number from {least:g} to {greatest:g} {unit}".strip())


def whole_number(least: int, greatest: int) -> Rule:
    """A whole number in a range; 2.0 is one, as a table with gaps makes it."""

    def value(found: Any) -> int:
        is_number = isinstance(found, numbers.Real) and not isinstance(found, bool)
        if not (is_number and least <= found <= greatest and found == int(found)):
            raise Wrong
        return int(found)

    return Rule(value, f"a whole number from {least} to {greatest}")


def _flag(found: Any) -> int:
    if not isinstance(found, bool | np.bool_):
        raise Wrong
    return int(found)


def _free_text(found: Any) -> str:
    if not isinstance(found, str) or len(found) > _LONGEST_TEXT or not found.isprintable():
        raise Wrong
    if found != found.strip() or found[:1] in ("=", "+", "-", "@"):
        raise Wrong
    return str(found)


def _moment(found: Any) -> str:
    if not isinstance(found, datetime.datetime) or found.tzinfo is None:
        raise Wrong
    if not _FIRST_YEAR <= found.year <= _LAST_YEAR:
        raise Wrong
    return time_text(found)


ID = text_like(_ID, "an id: up to 64 letters (a-z), digits and _ - . and no - or . at the beginning")
SHA256 = text_like(_SHA256, "the SHA-256 of the image file: 64 digits and letters a-f")
FLAG = Rule(_flag, "True or False")
TEXT = Rule(_free_text, f"one line of at most {_LONGEST_TEXT} letters that does not begin with = + - @")
MOMENT = Rule(_moment, f"a time with its zone, {_FIRST_YEAR} to {_LAST_YEAR}", "Give the time in UTC")
