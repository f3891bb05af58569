"""The data dictionary: every column of every table, and what makes a row one of its kind."""

from __future__ import annotations

from cohortlib.tables import clinic, function, imaging, laboratory, safety
from cohortlib.tables.column import Column

_GROUPS = (clinic, imaging, laboratory, function, safety)
_COLUMNS = tuple(column for group in _GROUPS for column in group.COLUMNS)

#: Table → column → its row. The order is that in which tables are read and listed.
_ORDER = (
    "patients",
    "hips",
    "plans",
    "visits",
    "images",
    "landmarks",
    "gradings",
    "grades",
    "answers",
    "blood",
    "densitometry",
    "gait_trials",
    "gait_curves",
    "events",
    "ct_doses",
)
DICTIONARY: dict[str, dict[str, Column]] = {
    table: {row.column: row for row in _COLUMNS if row.table == table} for table in _ORDER
}

#: What makes a row of a table one of its kind; landmarks have none (a rim has several points).
KEYS: dict[str, tuple[str, ...]] = {table: key for group in _GROUPS for table, key in group.KEYS.items()}
#: Tables without which there is no study; the others may come later.
REQUIRED_TABLES = ("patients", "hips", "visits")
