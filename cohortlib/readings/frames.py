"""Rows of the store as tables of a study."""

from __future__ import annotations

import pandas as pd
from sqlalchemy import Connection, Select, Table, cast, false, null, select

from cohortlib.readings.kept import kept
from cohortlib.readings.rows import MARKED_AT
from cohortlib.readings.schema import BATCHES, OWN_ID, READINGS
from cohortlib.readings.tasks import Content
from cohortlib.tables import DICTIONARY

_DTYPES = {
    "repeat": "Int64",
    "x_px": "float64",
    "y_px": "float64",
    "width_mm": "float64",
    "duration_s": "float64",
    "supersedes": "Int64",
    "withdrawn": "bool",
    "batch_id": "Int64",
    "import_id": "Int64",
    "mark_id": "Int64",
    "grading_id": "Int64",
    "grade_id": "Int64",
    "worklist_id": "Int64",
    "session": "Int64",
    "place": "Int64",
    "seed": "Int64",
    "n_rows": "Int64",
    "n_items": "Int64",
    "event_id": "Int64",
    "washout_days": "float64",
}
_TIMES = ("claimed_at", "stored_at")
#: The table of a study that the rows are.
STUDY_TABLE: dict[Content, str] = {"marks": "landmarks", "gradings": "gradings", "grades": "grades"}
_THEN = (
    "duration_s",
    "image_sha256",
    "stored_at",
    "claimed_at",
    "software",
    "supersedes",
    "withdrawn",
    "reason",
    "batch_id",
    "item_id",
    "import_id",
)


def current(table: Table) -> Select:
    """The rows that stand: nothing supersedes them, and they are not withdrawn."""
    later = table.alias("later")
    own_id = table.c[OWN_ID[table.name]]
    superseded = select(later.c.supersedes).where(later.c.supersedes == own_id).exists()
    return select(table).where(table.c.withdrawn == 0, ~superseded).order_by(own_id)


def history(table: Table) -> Select:
    """Every row, in the order of storing."""
    return select(table).order_by(next(iter(table.primary_key)))


def frame(connection: Connection, query: Select) -> pd.DataFrame:
    """What a query finds, with the types of the data dictionary."""
    result = connection.execute(query)
    return typed(pd.DataFrame(result.all(), columns=list(result.keys()), dtype=object))


def typed(table: pd.DataFrame) -> pd.DataFrame:
    """Columns as the rest of the library knows them; text where nothing else is said."""
    columns = {}
    for name in map(str, table):
        if name in _TIMES:
            moments = pd.to_datetime(table[name], format="ISO8601", utc=True)
            columns[name] = moments.astype("datetime64[us, UTC]")
        else:
            columns[name] = pd.Series(table[name], dtype=_DTYPES.get(name, "str"))
    return pd.DataFrame(columns, index=table.index)


def reading_frame(connection: Connection, query: Select, *, content: Content) -> pd.DataFrame:
    """Marks, gradings or grades: first the columns of a study's table, then where each row comes from.

    Of what the store has no table for, no rows.
    """
    if content not in kept(connection):
        nothing = (cast(null(), column.type).label(column.name) for column in READINGS[content].columns)
        query = select(*nothing).where(false())
    source = query.subquery()
    joined = select(source, BATCHES.c.item_id, BATCHES.c.import_id)
    joined = joined.join_from(source, BATCHES, source.c.batch_id == BATCHES.c.batch_id)
    table = frame(connection, joined.order_by(source.c[OWN_ID[content]]))
    when = table["claimed_at"].fillna(table["stored_at"])
    table = table.assign(**{MARKED_AT: when})
    return table[[*DICTIONARY[STUDY_TABLE[content]], OWN_ID[content], *_THEN]]
