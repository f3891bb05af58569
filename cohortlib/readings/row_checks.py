"""What the cells of one row say of each other, and the rows of one table."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from cohortlib.errors import problem
from cohortlib.readings.guards import SAME
from cohortlib.readings.refusals import shown
from cohortlib.readings.tasks import Content
from cohortlib.tables import ZONE_SYSTEMS
from cohortlib.tables.grading_scales import GRADING_SCALES, grades_of

#: What the reader said: empty in a row that is withdrawn.
SAID = {"marks": ("x_px", "y_px"), "gradings": ("state", "width_mm"), "grades": ("grade",)}
#: What a row that is not withdrawn must say.
_NEEDED = {"marks": ("x_px", "y_px"), "gradings": ("state",), "grades": ("grade",)}
#: What of a hip is said once in a reading.
_PLACE = {"gradings": "zone", "grades": "part"}
#: States that say of a line that it is there; only such a line has a width.
_LINE = ("incomplete", "complete")


class _Fault(NamedTuple):
    column: str
    found: str
    expected: str
    remedy: str


def row_problems(rows: list[dict[str, Any]], *, content: Content, file: str) -> list[dict[str, Any]]:
    """One problem for each kind of fault, with the first of its lines and how often it comes."""
    lines: dict[_Fault, list[int]] = {}
    seen: set[tuple[Any, ...]] = set()
    for line, row in enumerate(rows, start=2):
        for fault in (*_faults(row, content), *_repeated(row, content, seen)):
            lines.setdefault(fault, []).append(line)
    return [problem(file=file, line=at[0], count=len(at), **fault._asdict()) for fault, at in lines.items()]


def _faults(row: dict[str, Any], content: Content) -> Iterator[_Fault]:
    if row["withdrawn"]:
        if row["supersedes"] is None:
            yield _Fault("supersedes", "no value", "the row that is withdrawn", "Name it in supersedes")
        for name in SAID[content]:
            if row[name] is not None:
                expected = "nothing in a row that is withdrawn"
                yield _Fault(name, shown(row[name]), expected, "Leave the cell empty")
        return
    for name in _NEEDED[content]:
        if row[name] is None:
            yield _Fault(name, "no value", "a value in every row", "Give the value, or withdraw the row")
    if content == "gradings":
        yield from _zone_faults(row)
    elif content == "grades":
        yield from _scale_faults(row)


def _zone_faults(row: dict[str, Any]) -> Iterator[_Fault]:
    zones = ZONE_SYSTEMS[row["zone_system"]].names
    if row["zone"] not in zones:
        found = f"{row['zone_system']} zone {row['zone']}"
        yield _Fault("zone", found, "one of " + ", ".join(zones), "Correct the zone or its system")
    if row["width_mm"] is not None and row["state"] not in (None, *_LINE):
        found = f"{row['width_mm']:g} with the state {row['state']!r}"
        remedy = "Correct the state or leave the width empty"
        yield _Fault("width_mm", found, "a width only where there is a line", remedy)


def _scale_faults(row: dict[str, Any]) -> Iterator[_Fault]:
    scale, part, grade = row["scale"], row["part"], row["grade"]
    allowed = grades_of(scale, part)
    if not allowed:
        expected = "one of " + ", ".join(GRADING_SCALES[scale].parts)
        yield _Fault("part", f"{scale}, {part}", expected, "Correct the part or its scale")
    elif grade is not None and grade not in allowed:
        expected = "one of " + ", ".join(allowed)
        yield _Fault("grade", f"{grade} for {scale}, {part}", expected, "Correct the grade")


def _repeated(row: dict[str, Any], content: Content, seen: set[tuple[Any, ...]]) -> Iterator[_Fault]:
    """A second correction of the same row, or a second grade of the same zone or part."""
    key: tuple[Any, ...]
    if row["supersedes"] is not None:
        name, key = "supersedes", (row["supersedes"],)
    elif content in _PLACE:
        name, key = _PLACE[content], tuple(row.get(column) for column in SAME[content])
    else:
        return
    if key in seen:
        yield _Fault(name, ", ".join(map(str, key)), "each one once in a table", "Keep one row")
    seen.add(key)
