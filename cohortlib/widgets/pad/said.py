"""What is said on a film: marks, grades of zones and grades on scales, and the rows that say it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple, cast

import pandas as pd

from cohortlib.readings.tasks import Content
from cohortlib.tables.grading_scales import GRADING_SCALES


class Mark(NamedTuple):
    """A mark: what, whose side, where."""

    landmark: str
    side: str
    x_px: float
    y_px: float


class Grade(NamedTuple):
    """What is said of a zone; the width [mm] is None where there is no line, or none was measured."""

    state: str
    width_mm: float | None


class ScaleGrade(NamedTuple):
    """What is said of a hip on a part of a scale."""

    grade: str


#: A mark goes by the number of its first row; a grade by side, zone system and zone, or side, scale and part.
Key = int | tuple[str, str, str]
Value = Mark | Grade | ScaleGrade | None

_PLACES = {"gradings": ("side", "zone_system", "zone"), "grades": ("side", "scale", "part")}
_NOTHING: dict[str, dict[str, Any]] = {
    "marks": {"x_px": None, "y_px": None},
    "gradings": {"state": None, "width_mm": None},
    "grades": {"grade": None},
}


def content_of(key: Key) -> Content:
    """Which table of the store says it; no scale is called as a zone system is."""
    if isinstance(key, int):
        return "marks"
    return "grades" if key[1] in GRADING_SCALES else "gradings"


def said_row(key: Key, value: Value, standing: Value) -> dict[str, Any]:
    """The row for a value, or for taking back the one that stands: it says of what, and nothing more."""
    content = content_of(key)
    said = _NOTHING[content] if value is None else value._asdict()
    if isinstance(key, int):
        return {**cast(Mark, standing if value is None else value)._asdict(), **said}
    return {**dict(zip(_PLACES[content], key, strict=True)), **said}


def stored_key(content: Content, row: Mapping[Any, Any]) -> tuple[str, str, str]:
    """What a stored grade is of."""
    first, second, third = (str(row[name]) for name in _PLACES[content])
    return first, second, third


def stored_value(content: Content, row: Mapping[Any, Any]) -> Value:
    """What a stored row says."""
    if row["withdrawn"]:
        return None
    if content == "marks":
        return Mark(row["landmark"], row["side"], float(row["x_px"]), float(row["y_px"]))
    if content == "grades":
        return ScaleGrade(row["grade"])
    return Grade(row["state"], None if pd.isna(row["width_mm"]) else float(row["width_mm"]))
