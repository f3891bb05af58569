"""Opening a store: made where there is none, refused where it is not what it should be."""

from __future__ import annotations

import os
import re
import uuid
from pathlib import Path

from sqlalchemy import Connection, insert, inspect, select, text

from cohortlib.errors import study_error
from cohortlib.readings.clock import CLOCK_OPTION, SimulatedClock, current_time, software, time_text
from cohortlib.readings.completing import add_grades, guards_of, may_add_grades
from cohortlib.readings.database import Database
from cohortlib.readings.earlier import SCHEMAS
from cohortlib.readings.locking import the_lock
from cohortlib.readings.postgres_server import SERVER, server_database
from cohortlib.readings.refusals import shown
from cohortlib.readings.schema import METADATA, SCHEMA_VERSION, STORE
from cohortlib.readings.sqlite_file import FILE_NAME, file_database
from cohortlib.readings.store import Readings
from cohortlib.readings.trail import insert_event

_LONGEST_PLACE = 4000
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")
# Two programs that find an empty database at once: one makes the tables, the other waits.
_ONE_MAKER = "SELECT pg_advisory_xact_lock(hashtext('cohortlib readings'))"


def open_readings(
    place: str | os.PathLike[str], *, write: bool = True, simulated_clock: SimulatedClock | None = None
) -> Readings:
    """The store of what readers marked and graded.

    Parameters
    ----------
    place
        A study folder (the store is its `readings.sqlite`), the path of such a file, or the address of
        a database server, `postgresql+pg8000://user@host/database`: one database a study. If the address
        has no password, the environment variable COHORTLIB_READINGS_PASSWORD may hold one: the host, a
        blank, the password.
    write
        False opens a store that exists and changes nothing of it; True makes one where there is none. One
        that was made before there were grades gets a table for them, unless it is locked; what it holds, and
        its seal, stay as they are.
    simulated_clock
        Gives the time (with its zone) in place of the real one: for simulated readers only. Every row that
        is stored says so in `software`, for good. A file of such readings, which can be made again, is not
        waited for until it is on the disk.

    Returns
    -------
    Readings

    Raises
    ------
    StudyError
        If the place cannot be opened, holds something else, or its guards are not in place.

    Example
    -------
    >>> readings = open_readings("my_study")  # doctest: +SKIP
    >>> readings.marks().groupby("reader_id").size()  # doctest: +SKIP
    """
    database = database_at(place, write=write, durable=simulated_clock is None)
    if simulated_clock is not None:
        engine = database.engine.execution_options(**{CLOCK_OPTION: simulated_clock})
        database = database._replace(engine=engine)
    try:
        if write and not _is_there(database):
            with database.writing() as connection:
                _make(connection)
        with database.reading() as connection:
            lacking = _check(connection, database.place)
        if write and lacking:
            with database.writing() as connection:
                _complete(connection, database.place)
    except BaseException:
        database.engine.dispose()
        raise
    return Readings(database)


def database_at(place: str | os.PathLike[str], *, write: bool, durable: bool = True) -> Database:
    """The database at a path or an address, not looked into yet.

    Raises
    ------
    StudyError
        If the place is neither.
    """
    text = os.fspath(place) if isinstance(place, str | os.PathLike) else place
    if not isinstance(text, str) or not text.strip() or "\0" in text or len(text) > _LONGEST_PLACE:
        raise study_error(
            column="[readings] url",
            found=shown(text),
            expected=f"the path of a study folder or of its {FILE_NAME}, or {SERVER}://user@host/database",
            remedy="Correct the place of the readings",
        )
    return (
        server_database(text, write=write)
        if _SCHEME.match(text)
        else file_database(Path(text), write=write, durable=durable)
    )


def _is_there(database: Database) -> bool:
    with database.reading() as connection:
        return inspect(connection).has_table(STORE.name)


def _make(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        connection.execute(text(_ONE_MAKER))
    names = inspect(connection).get_table_names()
    if STORE.name in names:
        return  # someone was faster
    if names:
        raise study_error(
            file=shown(connection.engine.url.database or "readings"),
            found=f"a database with other tables: {shown(', '.join(sorted(names)))}",
            expected="a readings store, or an empty database",
            remedy="Name a database of its own for the readings",
        )
    METADATA.create_all(connection)
    guards_of(connection).make_guards(connection, METADATA)
    now = time_text(current_time(connection))
    connection.execute(
        insert(STORE).values(
            store_id=uuid.uuid4().hex,
            schema_version=SCHEMA_VERSION,
            made_at=now,
            software=software(connection),
        )
    )
    insert_event(connection, what="made", who="", now=now)


def _complete(connection: Connection, place: str) -> None:
    """Give a store that was made earlier what it lacks, if it is sound, not locked, and one's own."""
    if connection.dialect.name == "postgresql":
        connection.execute(text(_ONE_MAKER))
    if _check(connection, place) and the_lock(connection) is None and may_add_grades(connection):
        add_grades(connection)


def _check(connection: Connection, place: str) -> bool:
    """Refuse what is no sound store; whether it is one of an earlier version."""
    if not inspect(connection).has_table(STORE.name):
        raise study_error(
            file=place,
            found="no readings store",
            expected="a store of readings",
            remedy="Name the store of the readings, put the last good copy in its place, or make one "
            "(python -m cohortlib readings)",
        )
    version = connection.execute(select(STORE.c.schema_version)).scalar()
    if version not in SCHEMAS:
        raise study_error(
            file=place,
            column="schema_version",
            found=version if version is not None else "no version",
            expected="version " + " or ".join(map(str, SCHEMAS)),
            remedy="Open it with the release of this program that made it",
        )
    faults = guards_of(connection).guard_faults(connection, SCHEMAS[version])
    if faults:
        raise study_error(
            file=place,
            found=shown("; ".join(faults[:5])),
            count=len(faults),
            expected="the tables and the guards that were made with the store",
            remedy="Someone altered the store: compare it with the last copy before it is used",
        )
    return bool(version != SCHEMA_VERSION)
