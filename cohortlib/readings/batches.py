"""Checked rows into the store: a batch is stored whole or not at all."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, insert, select, true

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.readings.clock import software, stored_time
from cohortlib.readings.guards import SAME
from cohortlib.readings.kept import check_kept
from cohortlib.readings.schema import BATCHES, EVENTS, ITEMS, OWN_ID, READINGS
from cohortlib.readings.tasks import Content, tasks_of

# Conditions of one question; databases limit how many there may be.
_AT_ONCE = 200

#: image_id, reader_id, repeat.
Reading = tuple[str, str, int]


def insert_batch(
    connection: Connection,
    rows: list[dict[str, Any]],
    *,
    content: Content,
    item_id: str | None = None,
    import_id: int | None = None,
) -> int:
    """Store checked rows in the open transaction; returns the number of the batch.

    Raises
    ------
    StudyError
        If a correction names no row of the same reading, or one that was corrected already.
    """
    check_not_locked(connection)
    check_kept(connection, content)
    _check_supersedes(connection, rows, content)
    now = stored_time(connection)
    batch = {"content": content, "n_rows": len(rows), "stored_at": now}
    added = connection.execute(insert(BATCHES).values(**batch, item_id=item_id, import_id=import_id))
    (batch_id,) = added.inserted_primary_key or (0,)
    given = {"batch_id": batch_id, "stored_at": now, "software": software(connection)}
    # Asked for their numbers, many rows go to a server in one statement.
    statement = insert(READINGS[content]).returning(
        READINGS[content].c[OWN_ID[content]], sort_by_parameter_order=True
    )
    connection.execute(statement, [{**row, **given} for row in rows]).all()
    return int(batch_id)


def check_not_locked(connection: Connection) -> None:
    """Refuse early and in words what the guards would refuse."""
    locked = connection.execute(select(EVENTS).where(EVENTS.c.what == "locked")).mappings().first()
    if locked is not None:
        raise study_error(
            column="readings",
            found=f"readings that {locked['who']} locked on {locked['stored_at']}",
            expected="no reading after the lock",
            remedy="Leave them as they are; whoever keeps the data decides about late ones",
        )


def check_not_listed(connection: Connection, rows: list[dict[str, Any]], *, content: Content) -> None:
    """Refuse first readings that a worklist asks for: they are written item by item."""
    first = [row for row in rows if row["supersedes"] is None]
    listed = readings_listed(connection, first, content=content) if first else []
    if listed:
        raise study_error(
            file=content,
            column="image_id, reader_id, repeat",
            found=", ".join(map(str, listed[0])),
            count=len(listed),
            expected="readings that stand on no worklist",
            remedy="Write them with finish_item, so that the order and the washout are kept",
        )


def _check_supersedes(connection: Connection, rows: list[dict[str, Any]], content: Content) -> None:
    table, own_id = READINGS[content], OWN_ID[content]
    corrections = [(line, row) for line, row in enumerate(rows, start=2) if row["supersedes"] is not None]
    earlier: dict[int, Any] = {}
    followed: set[int] = set()
    for start in range(0, len(corrections), _AT_ONCE):
        numbers = [row["supersedes"] for _, row in corrections[start : start + _AT_ONCE]]
        found = connection.execute(select(table).where(table.c[own_id].in_(numbers))).mappings()
        earlier |= {row[own_id]: row for row in found}
        followed |= set(
            connection.execute(select(table.c.supersedes).where(table.c.supersedes.in_(numbers))).scalars()
        )
    problems = []
    for line, row in corrections:
        number = row["supersedes"]
        at: dict[str, Any] = {"file": content, "line": line, "column": "supersedes", "found": number}
        before = earlier.get(number)
        if before is None:
            problems.append(
                problem(
                    **at, expected=f"the {own_id} of a stored row", remedy="Read the store and name the row"
                )
            )
        elif different := [name for name in SAME[content] if before[name] != row[name]]:
            expected = f"a row with the same {', '.join(different)}"
            problems.append(problem(**at, expected=expected, remedy="Correct only a row of the same reading"))
        elif number in followed:
            expected = "a row that nothing supersedes yet"
            problems.append(problem(**at, expected=expected, remedy="Name the row that stands now"))
    if problems:
        raise StudyError(problems)


def readings_listed(connection: Connection, rows: list[dict[str, Any]], *, content: Content) -> list[Reading]:
    """The readings of these rows of which a worklist asks for this content, sorted."""
    return _known(connection, rows, ITEMS, ITEMS.c.task.in_(tasks_of(content)))


def readings_there(connection: Connection, rows: list[dict[str, Any]], *, table: Table) -> list[Reading]:
    """The readings of these rows that `table` has already, sorted."""
    return _known(connection, rows, table, true())


def _known(
    connection: Connection, rows: list[dict[str, Any]], table: Table, condition: ColumnElement[bool]
) -> list[Reading]:
    columns = (table.c.image_id, table.c.reader_id, table.c.repeat)
    readers = sorted({row["reader_id"] for row in rows})
    there = connection.execute(select(*columns).where(table.c.reader_id.in_(readers), condition).distinct())
    return sorted({tuple(key) for key in there} & {_reading(row) for row in rows})


def _reading(row: dict[str, Any]) -> Reading:
    return row["image_id"], row["reader_id"], row["repeat"]
