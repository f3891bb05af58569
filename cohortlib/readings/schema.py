"""The tables of the store: one schema for the embedded file and the database server.

Times are text of one length, `2031-06-30T09:15:00.000000Z`: they sort as they follow each other, and
read the same from both databases. Nothing is ever changed or removed (see `guards`).
"""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import (
    REAL,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Identity,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    text,
)
from sqlalchemy.types import TypeEngine

from cohortlib.readings.tasks import CONTENTS, TASKS, tasks_of
from cohortlib.tables import SIDES, ZONE_STATES

#: Counted up with every change of the tables or their guards; `earlier` has what was before.
SCHEMA_VERSION = 3
#: Why an item stands on a worklist.
ROLES = ("first", "repeat", "adjudication")
#: Which sides of the image.
ITEM_SIDES = (*SIDES, "both")

METADATA = MetaData()
# PostgreSQL's REAL has seven digits, SQLite's has sixteen and its strict tables know no other name.
_NUMBER: TypeEngine[float] = Double().with_variant(REAL(), "sqlite")


def one_of(column: str, allowed: tuple[str, ...], *, name: str) -> CheckConstraint:
    """A column holds one of these words, or nothing."""
    return CheckConstraint(f"{column} IN ({_listed(allowed)})", name=name)


def _table(name: str, *parts: Column | CheckConstraint | Index) -> Table:
    return Table(name, METADATA, *parts, sqlite_strict=True, sqlite_autoincrement=True)


def _number_of(name: str) -> Column:
    return Column(name, Integer, Identity(), primary_key=True)


def _reading_columns(own_id: str) -> tuple[Column, ...]:
    """What every mark, grading and grade has."""
    return (
        _number_of(own_id),
        Column("batch_id", Integer, ForeignKey("batches.batch_id"), nullable=False, index=True),
        Column("image_id", Text, nullable=False),
        Column("reader_id", Text, nullable=False),
        Column("repeat", Integer, nullable=False),
        Column("side", Text, nullable=False),
        Column("claimed_at", Text),
        Column("stored_at", Text, nullable=False),
        Column("duration_s", _NUMBER),
        Column("software", Text, nullable=False),
        Column("image_sha256", Text),
        Column("supersedes", Integer, unique=True),
        Column("withdrawn", Integer, nullable=False),
        Column("reason", Text, nullable=False),
    )


def _reading_checks(table: str) -> tuple[CheckConstraint, ...]:
    return (
        CheckConstraint("repeat BETWEEN 1 AND 99", name=f"{table}_repeat"),
        one_of("side", SIDES, name=f"{table}_side"),
        CheckConstraint("duration_s BETWEEN 0 AND 86400", name=f"{table}_duration"),
        CheckConstraint("length(image_sha256) = 64", name=f"{table}_hash"),
        CheckConstraint("length(stored_at) = 27", name=f"{table}_stored_at"),
        CheckConstraint(
            "withdrawn = 0 OR (withdrawn = 1 AND supersedes IS NOT NULL)", name=f"{table}_withdrawn"
        ),
    )


def once_where(condition: str, name: str, *columns: str | Column) -> Index:
    """Among the rows where the condition holds, no two are alike in these columns."""
    where = text(condition)
    return Index(name, *columns, unique=True, sqlite_where=where, postgresql_where=where)


def _listed(words: Iterable[str]) -> str:
    return ", ".join(f"'{word}'" for word in words)


STORE = _table(
    "store",
    Column("store_id", Text, primary_key=True),
    Column("schema_version", Integer, nullable=False),
    Column("made_at", Text, nullable=False),
    Column("software", Text, nullable=False),
)

IMPORTS = _table(
    "imports",
    _number_of("import_id"),
    Column("content", Text, nullable=False),
    Column("file", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("n_rows", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("stored_at", Text, nullable=False),
    Column("software", Text, nullable=False),
    Index("imports_once", "content", "sha256", unique=True),
)

WORKLISTS = _table(
    "worklists",
    _number_of("worklist_id"),
    Column("n_items", Integer, nullable=False),
    Column("washout_days", _NUMBER, nullable=False),
    Column("seed", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("stored_at", Text, nullable=False),
    Column("software", Text, nullable=False),
    CheckConstraint("washout_days BETWEEN 0 AND 3650", name="worklists_washout"),
)

ITEMS = _table(
    "items",
    Column("item_id", Text, primary_key=True),
    Column("worklist_id", Integer, ForeignKey("worklists.worklist_id"), nullable=False),
    Column("reader_id", Text, nullable=False),
    Column("session", Integer, nullable=False),
    Column("place", Integer, nullable=False),
    Column("image_id", Text, nullable=False),
    Column("image_sha256", Text, nullable=False),
    Column("sides", Text, nullable=False),
    Column("repeat", Integer, nullable=False),
    Column("role", Text, nullable=False),
    Column("task", Text, nullable=False),
    # One reading of an image asks for its marks once, for its gradings once, and for its grades once.
    *(
        once_where(
            f"task IN ({_listed(tasks_of(content))})",
            f"items_{content}_once",
            "reader_id",
            "image_id",
            "repeat",
        )
        for content in CONTENTS
    ),
    one_of("sides", ITEM_SIDES, name="items_sides"),
    one_of("role", ROLES, name="items_role"),
    one_of("task", tuple(TASKS), name="items_task"),
)

BATCHES = _table(
    "batches",
    _number_of("batch_id"),
    Column("content", Text, nullable=False),
    Column("n_rows", Integer, nullable=False),
    Column("stored_at", Text, nullable=False),
    Column("item_id", Text, ForeignKey("items.item_id")),
    Column("import_id", Integer, ForeignKey("imports.import_id")),
)

MARKS = _table(
    "marks",
    *_reading_columns("mark_id"),
    Column("landmark", Text, nullable=False),
    Column("x_px", _NUMBER),
    Column("y_px", _NUMBER),
    *_reading_checks("marks"),
    # A NaN of PostgreSQL is above every number and is refused here.
    CheckConstraint("withdrawn = 1 OR (x_px IS NOT NULL AND y_px IS NOT NULL)", name="marks_whole"),
    CheckConstraint("x_px BETWEEN -0.5 AND 65535.5 AND y_px BETWEEN -0.5 AND 65535.5", name="marks_place"),
    Index("marks_reading", "image_id", "reader_id", "repeat"),
)

GRADINGS = _table(
    "gradings",
    *_reading_columns("grading_id"),
    Column("zone_system", Text, nullable=False),
    Column("zone", Text, nullable=False),
    Column("state", Text),
    Column("width_mm", _NUMBER),
    *_reading_checks("gradings"),
    CheckConstraint("withdrawn = 1 OR state IS NOT NULL", name="gradings_whole"),
    one_of("state", ZONE_STATES, name="gradings_state"),
    CheckConstraint("width_mm BETWEEN 0 AND 30", name="gradings_width"),
    # A zone is graded once a reading; what follows names the grade it supersedes.
    once_where(
        "supersedes IS NULL",
        "gradings_once",
        "image_id",
        "reader_id",
        "repeat",
        "side",
        "zone_system",
        "zone",
    ),
)

#: Which grades a scale has is checked where they come in: a store outlives a list of scales.
GRADES = _table(
    "grades",
    *_reading_columns("grade_id"),
    Column("scale", Text, nullable=False),
    Column("part", Text, nullable=False),
    Column("grade", Text),
    *_reading_checks("grades"),
    CheckConstraint("withdrawn = 1 OR grade IS NOT NULL", name="grades_whole"),
    CheckConstraint("length(grade) BETWEEN 1 AND 400", name="grades_grade"),
    once_where(
        "supersedes IS NULL", "grades_once", "image_id", "reader_id", "repeat", "side", "scale", "part"
    ),
)

EVENTS = _table(
    "events",
    _number_of("event_id"),
    Column("what", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("stored_at", Text, nullable=False),
    Column("details", Text, nullable=False),
    Column("software", Text, nullable=False),
    Index("events_subject", "subject"),
    once_where("what = 'item finished'", "events_finished_once", "subject"),
    once_where("what = 'locked'", "events_locked_once", "what"),
)

#: The tables that hold what readers said, by the name a study knows them under.
READINGS = {"marks": MARKS, "gradings": GRADINGS, "grades": GRADES}
#: Their own number.
OWN_ID = {"marks": "mark_id", "gradings": "grading_id", "grades": "grade_id"}
