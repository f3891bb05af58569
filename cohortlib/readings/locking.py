"""The lock, and the unblinding that comes after it."""

from __future__ import annotations

import json
from typing import NamedTuple

from sqlalchemy import Connection, func, select, text

from cohortlib.errors import study_error
from cohortlib.readings.batches import check_not_locked
from cohortlib.readings.clock import stored_time
from cohortlib.readings.earlier import SCHEMAS
from cohortlib.readings.kept import stored_version
from cohortlib.readings.postgres_guards import lock_writers_out
from cohortlib.readings.schema import EVENTS, ITEMS
from cohortlib.readings.seal import check_batches, counts, current_sha256, history_sha256
from cohortlib.readings.trail import insert_event


class Lock(NamedTuple):
    """Who locked the readings when, and what they were then."""

    who: str
    locked_at: str
    sha256: str
    history_sha256: str
    n_marks: int
    n_gradings: int
    n_unfinished: int
    n_grades: int = 0  # a lock of a store without grades does not name them


def insert_lock(connection: Connection, place: str, *, who: str, accept_unfinished: bool) -> Lock:
    """Lock the readings in the open transaction."""
    if connection.dialect.name == "postgresql":
        tables = SCHEMAS[stored_version(connection)].tables
        connection.execute(text(lock_writers_out(tables)))  # an SQLite file has one writer as it is
    check_not_locked(connection)
    check_batches(connection, place)
    finished = select(EVENTS.c.subject).where(EVENTS.c.what == "item finished")
    unfinished = select(func.count()).select_from(ITEMS).where(ITEMS.c.item_id.not_in(finished))
    n_unfinished = connection.execute(unfinished).scalar_one()
    if n_unfinished and not accept_unfinished:
        raise study_error(
            file=place,
            column="worklists",
            found=f"{n_unfinished} items that are not finished",
            expected="worklists that are read to their end",
            remedy="Finish them, or lock with accept_unfinished=True: they can never be read afterwards",
        )
    standing = counts(connection)
    lock = Lock(
        who,
        stored_time(connection),
        current_sha256(connection),
        history_sha256(connection),
        n_marks=standing["marks"],
        n_gradings=standing["gradings"],
        n_unfinished=n_unfinished,
        n_grades=standing["grades"],
    )
    details = lock._asdict()
    insert_event(connection, what="locked", who=details.pop("who"), now=details.pop("locked_at"), **details)
    return lock


def the_lock(connection: Connection) -> Lock | None:
    """The lock, or None while readings may be written."""
    row = connection.execute(select(EVENTS).where(EVENTS.c.what == "locked")).mappings().first()
    if row is None:
        return None
    try:
        return Lock(row["who"], row["stored_at"], **json.loads(row["details"]))
    except (ValueError, TypeError):
        raise study_error(
            column="events",
            found="a lock without its hash",
            expected="a lock as this program sets it",
            remedy="Someone wrote it past this program: compare with the last copy",
        ) from None


def check_lock(connection: Connection, place: str) -> None:
    """Refuse rows that are not what was locked."""
    lock = the_lock(connection)
    if lock is None:
        return
    found = {"sha256": current_sha256(connection), "history_sha256": history_sha256(connection)}
    for name, value in found.items():
        if value != getattr(lock, name):
            raise study_error(
                file=place,
                column=name,
                found=value,
                expected=f"{getattr(lock, name)}, as {lock.who} locked it on {lock.locked_at}",
                remedy="Someone altered locked readings: take the copy that was made with the lock",
            )


def insert_unblinding(connection: Connection, place: str, *, who: str, reason: str) -> None:
    """Record an unblinding in the open transaction; only of readings that are as they were locked."""
    if the_lock(connection) is None:
        raise study_error(
            file=place,
            found="readings that are not locked",
            expected="a lock before the unblinding",
            remedy="Lock the readings first",
        )
    check_lock(connection, place)
    insert_event(connection, what="unblinded", who=who, now=stored_time(connection), reason=reason)
