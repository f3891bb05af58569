"""Values of header elements, whatever stands there: numbers, words and codes."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from pydicom.datadict import dictionary_description, tag_for_keyword
from pydicom.dataset import Dataset
from pydicom.tag import Tag


def label(keyword: str) -> str:
    """The element as a reader looks it up: "Pixel Spacing (0028,0030)"."""
    tag = Tag(tag_for_keyword(keyword))
    return f"{dictionary_description(keyword)} ({tag.group:04X},{tag.element:04X})"


def shown(values: Iterable[Any]) -> str:
    """Values as they stand in a header, such as "0.30, 0.25", cut at 40 characters."""
    text = ", ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in values)
    text = "".join(character if character.isprintable() else "?" for character in text)
    return text if len(text) <= 40 else text[:37] + "..."


def _values(dataset: Dataset, keyword: str) -> tuple[Any, ...] | None:
    """All values of an element; () if it is absent or empty, None if they cannot be parsed."""
    try:
        value = dataset.get(keyword)
        if value is None or value in ("", b""):
            return ()
        return (value,) if isinstance(value, str | bytes) or not isinstance(value, Iterable) else tuple(value)
    except Exception:  # a header may hold anything, and pydicom parses a value when it is asked for
        return None


def is_given(dataset: Dataset, keyword: str) -> bool:
    """Whether the element is there and not empty."""
    return _values(dataset, keyword) != ()


def numbers(dataset: Dataset, keyword: str) -> tuple[float, ...]:
    """The element as numbers; () if absent or empty, NaN for what is not a number."""
    values = _values(dataset, keyword)
    return (math.nan,) if values is None else tuple(_number(value) for value in values)


def _number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError, OverflowError):
        return math.nan


def whole(dataset: Dataset, keyword: str) -> int:
    """The element as one whole number; -1 if it is absent, not whole or not one."""
    values = numbers(dataset, keyword)
    return int(values[0]) if len(values) == 1 and values[0] % 1 == 0 else -1


def words(dataset: Dataset, keyword: str) -> tuple[str, ...]:
    """The element as words in capitals without blanks at the ends; () if absent or empty."""
    return tuple(str(value).strip("\0 ").upper() for value in _values(dataset, keyword) or ())


def word(dataset: Dataset, keyword: str) -> str:
    """The first word of the element; "" if absent or empty."""
    return next(iter(words(dataset, keyword)), "")


def items(dataset: Dataset, keyword: str) -> tuple[Dataset, ...]:
    """The items of a sequence; () if it is absent, empty or no sequence."""
    return tuple(item for item in _values(dataset, keyword) or () if isinstance(item, Dataset))


def codes(dataset: Dataset, keyword: str) -> set[str]:
    """The code values of a code sequence; an empty set if absent."""
    return {word(item, "CodeValue") for item in items(dataset, keyword)} - {""}
