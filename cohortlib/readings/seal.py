"""What the lock is over: every row as one canonical line, all lines as one SHA-256."""

from __future__ import annotations

import hashlib
import itertools
import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Select, func, select

from cohortlib.errors import study_error
from cohortlib.readings.frames import current, history
from cohortlib.readings.kept import kept
from cohortlib.readings.refusals import shown
from cohortlib.readings.schema import BATCHES, READINGS
from cohortlib.readings.tasks import CONTENTS, Content

#: Kinds of readings that earlier stores and their seals know nothing of.
_ADDED_LATER = ("grades",)
_ENCODER = json.JSONEncoder(ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def rows_sha256(connection: Connection, queries: Mapping[Content, Select]) -> str:
    """SHA-256 of rows written as JSON arrays, one a line, after a line with the names of the columns.

    Notes
    -----
    Numbers are written with the fewest digits that give them back exactly (IEEE 754 binary64), text in
    ASCII with escapes, nothing as `null`, no spaces; every line ends with a line feed. Of grades there is not
    even the line of names where there are no rows: seals that were made before there were grades hold on.
    """
    digest = hashlib.sha256()
    for content, query in queries.items():
        result = connection.execute(query)
        lines: Iterator[Sequence[Any]] = itertools.chain([list(result.keys())], result)
        if content in _ADDED_LATER:
            lines = _unless_alone(lines)
        for row in lines:
            digest.update(_ENCODER.encode(list(row)).encode() + b"\n")
    return digest.hexdigest()


def _unless_alone(lines: Iterator[Sequence[Any]]) -> Iterator[Sequence[Any]]:
    """All lines, or none where the first is the only one."""
    first = next(lines)
    second = next(lines, None)
    if second is not None:
        yield from (first, second)
        yield from lines


def current_sha256(connection: Connection) -> str:
    """Over all rows that stand: marks, then gradings, then grades, each in the order of their numbers."""
    return rows_sha256(connection, {content: current(READINGS[content]) for content in kept(connection)})


def history_sha256(connection: Connection) -> str:
    """Over all rows that were ever stored."""
    return rows_sha256(connection, {content: history(READINGS[content]) for content in kept(connection)})


def counts(connection: Connection) -> dict[Content, int]:
    """How many marks, gradings and grades stand."""
    found: dict[Content, int] = dict.fromkeys(CONTENTS, 0)
    for content in kept(connection):
        standing = current(READINGS[content]).order_by(None).subquery()
        found[content] = connection.execute(select(func.count()).select_from(standing)).scalar_one()
    return found


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
    for content in kept(connection):
        table = READINGS[content]
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
