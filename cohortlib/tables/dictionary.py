"""The data dictionary: every column of every table, and what makes a row one of its kind."""

from __future__ import annotations

from cohortlib.tables import clinic, function, imaging, laboratory, safety
from cohortlib.tables.column import Column

_GROUPS = (clinic, imaging, laboratory, function, safety)
_COLUMNS = tuple(column for group in _GROUPS for column in group.COLUMNS)

#: Table → what one row of it is. The order is that in which tables are read and listed.
ROWS = {
    "patients": "a patient",
    "hips": "a study hip",
    "plans": "a hip whose operation was planned",
    "visits": "a visit that took place",
    "images": "an image: a radiograph, a CT or a densitometry scan",
    "landmarks": "a mark that a reader placed on an image",
    "gradings": "a zone that a reader graded",
    "grades": "a grade that a reader gave a hip on a scale",
    "answers": "an answer to an item of a questionnaire; scores only",
    "blood": "a metal measured in a sample",
    "densitometry": "a zone of a bone density scan",
    "gait_trials": "a walking trial",
    "gait_curves": "a point of a curve of a walking trial",
    "events": "an event: revision, adverse event, death, withdrawal and so on",
    "ct_doses": "a CT acquisition with its dose",
}
#: Table → column → its row.
DICTIONARY: dict[str, dict[str, Column]] = {
    table: {row.column: row for row in _COLUMNS if row.table == table} for table in ROWS
}

#: What makes a row of a table one of its kind; landmarks have none (a rim has several points).
KEYS: dict[str, tuple[str, ...]] = {table: key for group in _GROUPS for table, key in group.KEYS.items()}
#: Tables without which there is no study; the others may come later.
REQUIRED_TABLES = ("patients", "hips", "visits")
