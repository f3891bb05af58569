"""A table of marks, gradings or grades → the rows to be stored, checked whole before anything is written."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import pandas as pd

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.readings.cell_checks import column_values
from cohortlib.readings.cells import FLAG, ID, MOMENT, SHA256, TEXT, Rule, number, one_of, whole_number
from cohortlib.readings.refusals import shown
from cohortlib.readings.row_checks import row_problems
from cohortlib.readings.tasks import Content
from cohortlib.tables import LANDMARKS, SIDES, ZONE_STATES, ZONE_SYSTEMS
from cohortlib.tables.grading_scales import GRADING_SCALES

#: Rows of one batch; more are written in several.
MOST_ROWS = 200_000
#: When a reader marked or graded, as the tables of a study call it.
MARKED_AT = "marked_at"


class _Field(NamedTuple):
    rule: Rule
    required: bool = True  # in every row; else the column may be left out


# Rows and Columns of a DICOM image are 16-bit numbers (PS3.3 C.7.6.3); 0 is the middle of the first pixel.
_PLACE = _Field(number(-0.5, 65535.5, "px"), required=False)
_WHOSE = {
    "image_id": _Field(ID),
    "reader_id": _Field(ID),
    "repeat": _Field(whole_number(1, 99)),
    "side": _Field(one_of(SIDES)),
}
_WHAT = {
    "marks": {"landmark": _Field(one_of(LANDMARKS)), "x_px": _PLACE, "y_px": _PLACE},
    "gradings": {
        "zone_system": _Field(one_of(tuple(ZONE_SYSTEMS))),
        "zone": _Field(ID),
        "state": _Field(one_of(ZONE_STATES), required=False),
        "width_mm": _Field(number(0, 30, "mm"), required=False),
    },
    "grades": {
        "scale": _Field(one_of(tuple(GRADING_SCALES))),
        "part": _Field(TEXT),
        "grade": _Field(TEXT, required=False),
    },
}
_HOW = {"duration_s": _Field(number(0, 86_400, "s")), "image_sha256": _Field(SHA256)}
_CORRECTION = {
    "supersedes": _Field(whole_number(1, 2**31 - 1), required=False),
    "withdrawn": _Field(FLAG, required=False),
    "reason": _Field(TEXT, required=False),
}


def written_fields(content: Content) -> dict[str, _Field]:
    """Columns of a table that a reader's program hands over."""
    return {**_WHOSE, **_WHAT[content], **_HOW, **_CORRECTION}


def imported_fields(content: Content) -> dict[str, _Field]:
    """Columns of a table that comes from a file: what is not known of it stays empty."""
    how = {name: field._replace(required=False) for name, field in _HOW.items()}
    return {**_WHOSE, **_WHAT[content], MARKED_AT: _Field(MOMENT), **how}


def reading_rows(
    table: pd.DataFrame | Sequence[Mapping[str, Any]],
    fields: Mapping[str, _Field],
    *,
    content: Content,
    file: str,
) -> list[dict[str, Any]]:
    """Rows as they are stored, without what the store itself puts in.

    Parameters
    ----------
    table
        One row a mark, a grading or a grade; a list of dicts with the same names will do.
    fields
        From `written_fields` or `imported_fields`.
    file
        Name of the table in messages; its first row is line 2, as a spreadsheet shows it.

    Raises
    ------
    StudyError
        With every problem of the table; then nothing may be written.
    """
    frame = _frame(table, file)
    problems = _header_problems(frame, fields, file)
    readable = not problems
    columns = {}
    for name, field in fields.items():
        if name in frame and readable:
            cells = frame[name].tolist()
            columns[name], wrong = column_values(
                cells, field.rule, file=file, name=name, required=field.required
            )
            problems += wrong
        else:
            columns[name] = [None] * len(frame)
    if problems:
        raise StudyError(problems)
    rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    for row in rows:
        row["claimed_at"] = row.pop(MARKED_AT, None)
        row["supersedes"] = row.get("supersedes")
        row["withdrawn"] = row.get("withdrawn") or 0
        row["reason"] = row.get("reason") or ""
    problems = row_problems(rows, content=content, file=file)
    if problems:
        raise StudyError(problems)
    return rows


def _frame(table: pd.DataFrame | Sequence[Mapping[str, Any]], file: str) -> pd.DataFrame:
    if isinstance(table, list | tuple) and all(isinstance(row, dict) for row in table):
        names = list(dict.fromkeys(name for row in table for name in row))
        # Column by column as objects: no value is turned into another kind.
        table = pd.DataFrame(
            {name: pd.Series([row.get(name) for row in table], dtype=object) for name in names}
        )
    if not isinstance(table, pd.DataFrame) or not 0 < len(table) <= MOST_ROWS:
        found = f"{len(table)} rows" if isinstance(table, pd.DataFrame) else type(table).__name__
        expected = f"a table of 1 to {MOST_ROWS} rows"
        raise study_error(file=file, found=found, expected=expected, remedy="Give the rows of one reading")
    return table


def _header_problems(frame: pd.DataFrame, fields: Mapping[str, _Field], file: str) -> list[dict[str, Any]]:
    names = [name if isinstance(name, str) else shown(name) for name in frame.columns]
    faults = [
        (n, "no such column", "Add the column") for n, f in fields.items() if f.required and n not in names
    ]
    faults += [
        (n, f"unknown column {shown(n)}", "Leave it out or rename it") for n in names if n not in fields
    ]
    faults += [(n, "a column twice", "Keep one") for n, count in Counter(names).items() if count > 1]
    expected = "the columns " + ", ".join(fields)
    return [
        problem(file=file, line=1, column=shown(name), found=found, expected=expected, remedy=remedy)
        for name, found, remedy in faults
    ]
