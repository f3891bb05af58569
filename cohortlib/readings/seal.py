"""What the lock is over: every row as one canonical line, all lines as one SHA-256."""

from __future__ import annotations

import hashlib
import json

from sqlalchemy import Connection, Select, func, select

from cohortlib.errors import study_error
from cohortlib.readings.frames import current, history
from cohortlib.readings.refusals import shown
from cohortlib.readings.schema import BATCHES, READINGS

_ENCODER = json.JSONEncoder(ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def rows_sha256(connection: Connection, queries: list[Select]) -> str:
    """SHA-256 of rows written as JSON arrays, one a line, after a line with the names of the columns.

    Notes
    -----
    Numbers are written with the fewest digits that give them back exactly (IEEE 754 binary64), text in
    ASCII with escapes, nothing as `null`, no spaces; every line ends with a line feed.
    """
    digest = hashlib.sha256()
    for query in queries:
        result = connection.execute(query)
        for row in ([*result.keys()], *result):
            digest.update(_ENCODER.encode(list(row)).encode() + b"\n")
    return digest.hexdigest()


def current_sha256(connection: Connection) -> str:
    """Over all rows that stand: marks, then gradings, each in the order of their numbers."""
    return rows_sha256(connection, [current(table) for table in READINGS.values()])


def history_sha256(connection: Connection) -> str:
    """Over all rows that were ever stored."""
    return rows_sha256(connection, [history(table) for table in READINGS.values()])


def counts(connection: Connection) -> tuple[int, int]:
    """How many marks and how many gradings stand."""
    marks, gradings = (
        connection.execute(select(func.count()).select_from(current(table).order_by(None).subquery()))
        for table in READINGS.values()
    )
    return marks.scalar_one(), gradings.scalar_one()


def check_file(connection: Connection, place: str) -> None:
    """Refuse a damaged SQLite file; a server looks after its own files.

    Raises
    ------
    StudyError
        With the first damage that SQLite finds.
    """
    if connection.dialect.name != "sqlite":
        return
    found = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar()
    if found != "ok":
        raise study_error(
            file=place,
            found=shown(found),
            expected="a sound SQLite file",
            remedy="Keep the file as it is, put it aside, and take the last copy that opens",
        )


def check_batches(connection: Connection, place: str) -> None:
    """Refuse a store in which a batch has more or fewer rows than were written with it.

    Raises
    ------
    StudyError
        If rows were added to or taken from the file past this program.
    """
    for content, table in READINGS.items():
        there = select(table.c.batch_id, func.count().label("n")).group_by(table.c.batch_id).subquery()
        wrong = connection.execute(
            select(BATCHES.c.batch_id, BATCHES.c.n_rows, func.coalesce(there.c.n, 0))
            .join_from(BATCHES, there, BATCHES.c.batch_id == there.c.batch_id, isouter=True)
            .where(BATCHES.c.content == content, func.coalesce(there.c.n, 0) != BATCHES.c.n_rows)
        ).all()
        if wrong:
            batch_id, expected, found = wrong[0]
            raise study_error(
                file=place,
                column=f"{content} batch {batch_id}",
                found=f"{found} rows",
                count=len(wrong),
                expected=f"the {expected} rows that were written together",
                remedy="Someone altered the store: compare it with the last copy before it is used",
            )
