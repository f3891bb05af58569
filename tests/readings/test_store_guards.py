"""The database itself refuses: changes, removals, second corrections, readings after the lock."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from typing import Any

import pg8000.native
import pytest
from database_server import Server
from reading_rows import grading, mark, table

from cohortlib.errors import StudyError
from cohortlib.readings import open_readings
from cohortlib.readings.schema import METADATA

Run = Callable[[str], Any]
TABLES = sorted(METADATA.tables)


@pytest.fixture
def other_program(place: str, request: pytest.FixtureRequest) -> Iterator[Run]:
    """SQL past the library, into a store with two marks of which one corrects the other, and a grading."""
    with open_readings(place) as store:
        store.write_marks(table(mark()))
        store.write_marks(table(mark(supersedes=1, x_px=9)))
        store.write_gradings(table(grading()))
    if place.startswith("postgresql"):
        server: Server = request.getfixturevalue("server")
        served = server.connect_to(place)
        yield served.run
        served.close()
    else:
        opened = sqlite3.connect(place, isolation_level=None)
        yield lambda text: opened.execute(text).fetchall()
        opened.close()


REFUSAL = (sqlite3.Error, pg8000.native.DatabaseError)
COPIED = (
    "batch_id, image_id, reader_id, repeat, side, stored_at, software, supersedes, withdrawn, reason, "
    "landmark, x_px, y_px"
)


def copied_mark(number: int, **other: str) -> str:
    """An INSERT of a mark like the stored one; `other` replaces values by SQL."""
    values = [other.get(name, name) for name in COPIED.split(", ")]
    return f"INTO marks ({COPIED}) SELECT {', '.join(values)} FROM marks WHERE mark_id = {number}"


# By hand -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", TABLES)
def test_no_row_is_changed_or_removed(name: str, other_program: Run) -> None:
    before = other_program(f"SELECT * FROM {name}")
    column = METADATA.tables[name].columns.keys()[-1]
    if before:  # without a row a trigger for each row has nothing to refuse
        with pytest.raises(REFUSAL, match="append-only"):
            other_program(f"UPDATE {name} SET {column} = {column}")
        with pytest.raises(REFUSAL, match="append-only"):
            other_program(f"DELETE FROM {name}")
    assert other_program(f"SELECT * FROM {name}") == before


@pytest.mark.parametrize("name", TABLES)
def test_no_table_is_emptied(name: str, server: Server) -> None:
    address = server.address()
    open_readings(address).close()
    connection = server.connect_to(address)
    with pytest.raises(pg8000.native.DatabaseError, match="append-only"):
        connection.run(f"TRUNCATE {name} CASCADE")
    connection.close()


def test_a_row_is_not_replaced(file_place: str) -> None:
    with open_readings(file_place) as store:
        store.write_marks(table(mark(), mark(x_px=2.0)))
        store.write_marks(table(mark(supersedes=1, x_px=9.0)))
        store.write_gradings(table(grading()))
    connection = sqlite3.connect(file_place, isolation_level=None)
    same_key = copied_mark(1).replace("(batch_id", "(mark_id, batch_id").replace("SELECT", "SELECT 1,")
    grade = connection.execute("SELECT * FROM gradings").fetchone()
    places = ", ".join("?" * len(grade))
    for word in ("OR REPLACE", "OR IGNORE", "OR FAIL", "OR ROLLBACK", ""):
        with pytest.raises(sqlite3.IntegrityError, match="taken"):
            connection.execute(f"INSERT {word} {same_key}")
        with pytest.raises(sqlite3.IntegrityError, match="taken"):
            connection.execute(f"INSERT {word} {copied_mark(1, supersedes='1')}")
        with pytest.raises(sqlite3.IntegrityError, match="taken"):
            connection.execute(f"INSERT {word} INTO gradings VALUES ({places})", (99, *grade[1:]))
    with pytest.raises(sqlite3.IntegrityError, match="taken"):
        connection.execute(f"INSERT {same_key} ON CONFLICT DO UPDATE SET x_px = 0")
    connection.close()
    with open_readings(file_place) as store:
        assert store.mark_history()["x_px"].tolist() == [512.25, 2.0, 9.0]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (f"INSERT {copied_mark(1, supersedes='1')}", "(?i)taken|unique"),
        (f"INSERT {copied_mark(1, supersedes='99')}", "foreign row"),
        (f"INSERT {copied_mark(1, supersedes='2', reader_id=repr('R2'))}", "foreign row"),
        (f"INSERT {copied_mark(1, supersedes='2', image_id=repr('I02'))}", "foreign row"),
        (f"INSERT {copied_mark(1, supersedes='2', repeat='2')}", "foreign row"),
        (f"INSERT {copied_mark(1, side=repr('up'))}", "(?i)constraint"),
        (f"INSERT {copied_mark(1, x_px='NULL')}", "(?i)constraint"),
        (f"INSERT {copied_mark(1, x_px='1e9')}", "(?i)constraint"),
        (f"INSERT {copied_mark(1, withdrawn='1')}", "(?i)constraint"),
        (f"INSERT {copied_mark(1, batch_id='77')}", "(?i)foreign key|constraint"),
        ("INSERT INTO store SELECT 'b', 2, made_at, software FROM store", "taken"),
        (
            "INSERT INTO events (what, who, subject, stored_at, details, software) "
            "SELECT 'unblinded', 'X', '', stored_at, '{}', software FROM events",
            "not locked",
        ),
    ],
)
def test_a_wrong_row_is_refused(text: str, match: str, other_program: Run, place: str) -> None:
    if "sqlite" in place:
        other_program("PRAGMA foreign_keys = ON")
    before = other_program("SELECT * FROM marks")
    with pytest.raises(REFUSAL, match=match):
        other_program(text)
    assert other_program("SELECT * FROM marks") == before


def test_no_number_that_is_none(server: Server) -> None:
    address = server.address()
    with open_readings(address) as store:
        store.write_marks(table(mark()))
    connection = server.connect_to(address)
    for value in ("'NaN'", "'Infinity'"):
        with pytest.raises(pg8000.native.DatabaseError, match="constraint"):
            connection.run(f"INSERT {copied_mark(1, x_px=f'CAST({value} AS float8)')}")
    connection.close()


def test_nothing_is_read_after_the_lock(place: str, other_program: Run) -> None:
    with open_readings(place) as store:
        store.lock(who="PI")
    later = {
        "marks": copied_mark(1),
        "batches": "INTO batches (content, n_rows, stored_at) SELECT content, 1, stored_at FROM batches",
        "imports": "INTO imports (content, file, sha256, n_rows, who, stored_at, software) "
        "SELECT 'marks', 'f', 'a', 1, 'X', made_at, software FROM store",
        "events": "INTO events (what, who, subject, stored_at, details, software) "
        "SELECT 'item finished', 'X', 'i', made_at, '{}', software FROM store",
    }
    for text in later.values():
        with pytest.raises(REFUSAL, match="cohortlib: locked"):
            other_program(f"INSERT {text}")
    with pytest.raises(REFUSAL, match=r"(?i)taken|unique"):
        other_program(
            "INSERT INTO events (what, who, subject, stored_at, details, software) "
            "SELECT what, who, subject, stored_at, details, software FROM events WHERE what = 'locked'"
        )
    assert len(other_program("SELECT * FROM marks")) == 2


def test_the_lock_waits_for_whoever_is_writing(server: Server) -> None:
    address = server.address()
    with open_readings(address) as store:
        store.write_marks(table(mark()))
        connection = server.connect_to(address)
        connection.run("START TRANSACTION")
        batch = "INTO batches (content, n_rows, stored_at) SELECT content, 1, stored_at FROM batches"
        ((number,),) = connection.run(f"INSERT {batch} RETURNING batch_id")
        connection.run(f"INSERT {copied_mark(1, batch_id=str(number))}")
        with ThreadPoolExecutor() as pool:
            locking = pool.submit(store.lock, who="PI")
            assert not wait([locking], timeout=0.4).done
            connection.run("COMMIT")
            assert locking.result(timeout=20).n_marks == 2
        connection.close()
        store.check()


def test_own_tables_of_a_session_do_not_open_the_lock(server: Server) -> None:
    address = server.address()
    with open_readings(address) as store:
        store.write_marks(table(mark()))
        store.lock(who="PI")
    connection = server.connect_to(address, superuser=True)
    connection.run("CREATE TEMP TABLE events (what text)")
    with pytest.raises(pg8000.native.DatabaseError, match="cohortlib: locked"):
        connection.run(f"INSERT {copied_mark(1)}")
    connection.run("SET default_transaction_isolation TO 'repeatable read'")
    with pytest.raises(pg8000.native.DatabaseError, match="isolation level"):
        connection.run(f"INSERT {copied_mark(1)}")
    connection.run("SET session_replication_role TO replica")  # switches ordinary triggers off
    with pytest.raises(pg8000.native.DatabaseError, match="append-only"):
        connection.run("DELETE FROM marks")
    connection.close()


# By failure: who may alter tables can take a guard away; then the store does not open ---------------


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("DROP TRIGGER marks_no_update", "no trigger marks_no_update"),
        ("DROP INDEX gradings_once", "no index gradings_once"),
        (
            "CREATE TRIGGER later BEFORE INSERT ON marks BEGIN SELECT RAISE(IGNORE); END",
            "a foreign trigger later",
        ),
        ("CREATE TABLE notes (text)", "a foreign table notes"),
        ("CREATE VIEW notes AS SELECT * FROM marks", "a foreign view notes"),
    ],
)
def test_an_altered_file_is_not_opened(text: str, found: str, file_place: str) -> None:
    open_readings(file_place).close()
    connection = sqlite3.connect(file_place)
    connection.execute(text)
    connection.close()
    with pytest.raises(StudyError, match=found):
        open_readings(file_place)


def test_a_weakened_trigger_is_found(file_place: str) -> None:
    open_readings(file_place).close()
    connection = sqlite3.connect(file_place)
    connection.execute("DROP TRIGGER marks_no_update")
    connection.execute("CREATE TRIGGER marks_no_update BEFORE UPDATE ON marks WHEN 0 BEGIN SELECT 1; END")
    connection.close()
    with pytest.raises(StudyError, match="a changed trigger marks_no_update"):
        open_readings(file_place, write=False)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("DROP TRIGGER cohortlib_marks_no_change ON marks", "no trigger cohortlib_marks_no_change"),
        (
            "ALTER TABLE marks DISABLE TRIGGER cohortlib_marks_guard",
            "a changed trigger cohortlib_marks_guard",
        ),
        (
            "CREATE OR REPLACE FUNCTION cohortlib_events_guard() RETURNS trigger LANGUAGE plpgsql "
            "AS $$ BEGIN RETURN NEW; END $$",
            "a changed trigger cohortlib_events_guard",
        ),
        ("CREATE RULE lost AS ON INSERT TO marks DO INSTEAD NOTHING", "a foreign rule lost"),
    ],
)
def test_an_altered_database_is_not_opened(text: str, found: str, server: Server) -> None:
    address = server.address()
    open_readings(address).close()
    connection = server.connect_to(address)
    connection.run(text)
    connection.close()
    with pytest.raises(StudyError, match=found):
        open_readings(address)
