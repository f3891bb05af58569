"""Stores that were made before grades were kept: they open, their seals hold, and they get what they lack.

`store_of_version_2.sql` is the text of a file that the release before made: marks (one taken back), an
imported grading, two worklists, an item that was read, and the lock as its last event.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from database_server import Server
from reading_rows import grade, mark, sha256, table

import cohortlib
from cohortlib.errors import StudyError
from cohortlib.readings import make_worklist, open_readings
from cohortlib.readings.earlier import SCHEMAS
from cohortlib.readings.opening import database_at
from cohortlib.readings.postgres_guards import make_guards

MADE_EARLIER = (Path(__file__).parent / "store_of_version_2.sql").read_text()
#: The lock, as that release wrote it.
SEAL = "3b155bb2903476582ff1f3d317555cf91fc5e498f9128d5ea43553f1eb0a9ad7"
HISTORY_SEAL = "a096c55d0b9335a9d51539d4ba4d416163d68779f4401ad639089796dcfcb894"
#: The triggers of its server.
SERVER_GUARDS = "efd9af0162707707f94cb4e087c3153ec0641a93368925b41d52ba609fb45f72"
IMAGES = pd.DataFrame({"image_id": ["I01", "I02", "I03"], "sides": "both"}).assign(
    image_sha256=lambda t: t["image_id"].map(sha256)
)
GRADED = make_worklist(IMAGES, readers=["R1"], repeat_share=0, seed=9, task="grades")


def made_earlier(path: Path, *, locked: bool) -> Path:
    """The file of the release before, as it was with its lock, or before that."""
    lines = MADE_EARLIER.splitlines(keepends=True)
    text = "".join(line for line in lines if locked or "'locked','PI'" not in line)
    assert len(text) < len(MADE_EARLIER) or locked
    with sqlite3.connect(path) as connection:
        connection.executescript(text)
    connection.close()
    return path


def rows(path: Path) -> dict[str, list[Any]]:
    """Every row of the tables of that release."""
    connection = sqlite3.connect(path)
    names = [name for name in SCHEMAS[2].tables if name not in ("store", "events")]
    found = {name: connection.execute(f"SELECT rowid, * FROM {name}").fetchall() for name in names}
    connection.close()
    return found


@pytest.fixture
def opened(tmp_path: Path) -> Path:
    return made_earlier(tmp_path / "readings.sqlite", locked=False)


# By hand -------------------------------------------------------------------------------------------


def test_a_locked_store_stays_as_it_is_and_its_seal_holds(tmp_path: Path) -> None:
    path = made_earlier(tmp_path / "readings.sqlite", locked=True)
    before = path.read_bytes()
    for write in (False, True):
        with open_readings(path, write=write) as store:
            store.check()
            lock = store.locked()
            assert lock is not None
            assert (lock.sha256, lock.history_sha256) == (SEAL, HISTORY_SEAL)
            assert lock[4:] == (2, 1, 11, 0)
            assert len(store.marks()) == 2
            assert store.grades().empty
            assert list(store.grades())[:7] == [
                *("image_id", "reader_id", "repeat", "side", "scale", "part", "grade")
            ]
            assert store.images_of(["R1"], task="marks, gradings and grades") >= {"I01", "I07"}
            assert not store.shown().state.holds_grades
            with pytest.raises(StudyError, match=r"PI locked on" if write else "Open it with write=True"):
                store.write_grades(table(grade()))
        assert path.read_bytes() == before
    with open_readings(path) as store:
        assert len(store.unblind(who="PI", reason="analysis")) == 12
        assert store.shown().state.n_marks == 2
        store.check()


def test_looking_at_an_open_store_adds_nothing(opened: Path) -> None:
    before = opened.read_bytes()
    with open_readings(opened, write=False) as store:
        store.check()
        assert store.grades().empty
        assert store.grade_history().empty
        assert store.shown().state.n_grades == 0
        assert store.shown().state.sha256 == SEAL
        assert set(store.item_history("s6vnq7nb", reader_id="R1")) == {"marks", "gradings", "grades"}
    assert opened.read_bytes() == before


def test_opening_for_writing_adds_what_is_lacking(opened: Path) -> None:
    before = rows(opened)
    with open_readings(opened) as store:
        store.check()
        assert store.shown().state.sha256 == SEAL  # without a grade, not one line more
        assert store.events()["what"].tolist()[-1] == "grades added"
    assert rows(opened) == before
    connection = sqlite3.connect(opened)
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert connection.execute("SELECT schema_version FROM store").fetchone() == (3,)
    connection.close()
    bytes_after = opened.read_bytes()
    open_readings(opened).close()
    assert opened.read_bytes() == bytes_after  # once


def test_the_reading_goes_on_and_ends_with_grades(opened: Path) -> None:
    with open_readings(opened) as store:
        store.write_grades(table(grade(image_id="I09")))
        store.write_worklist(GRADED, who="PI", washout_days=0)
        whose = {"reader_id": "R1", "duration_s": 2.0}
        asked = []
        while len(item := store.next_item("R1")):
            item_id, task = item.loc[0, ["item_id", "task"]]
            asked.append(task)
            whose["image_sha256"] = sha256(store.item_image(item_id))
            if task == "grades":
                store.write_item(
                    item_id,
                    "grades",
                    [{"side": "left", "scale": "ossification", "part": "whole", "grade": "1"}],
                    **whose,
                )
            store.finish_item(item_id, **whose)
        assert asked == ["marks"] * 2 + ["gradings"] * 3 + ["grades"] * 3
        lock = store.lock(who="PI", accept_unfinished=True)
        assert lock.n_grades == 4
        assert lock.sha256 != SEAL
        store.check()


@pytest.mark.parametrize("kind", ["file", "server"])
def test_several_who_open_it_at_once_complete_it_once(
    kind: str, opened: Path, request: pytest.FixtureRequest
) -> None:
    place = str(opened) if kind == "file" else on_the_server(request.getfixturevalue("server"))
    with ThreadPoolExecutor(4) as pool:
        stores = list(pool.map(lambda _: open_readings(place), range(4)))
    for number, store in enumerate(stores):
        store.write_grades(table(grade(image_id=f"J{number}")))
        assert store.events()["what"].tolist().count("grades added") == 1
    assert len(stores[0].grades()) == 4
    for store in stores:
        store.check()
        store.close()


# By reference: what the release before wrote --------------------------------------------------------


def test_the_guards_of_the_server_are_those_of_the_release_before(server: Server) -> None:
    """Source: SHA-256 over all its triggers (table, name, event, kind, text), as that release made them."""
    address = on_the_server(server)
    connection = server.connect_to(address)
    found = connection.run(
        "SELECT c.relname, t.tgname, t.tgtype, p.prosrc FROM pg_trigger t "
        "JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid "
        "WHERE NOT t.tgisinternal AND c.relnamespace = CAST(current_schema() AS regnamespace)"
    )
    connection.close()
    text = json.dumps(sorted(found))
    assert hashlib.sha256(text.encode()).hexdigest() == SERVER_GUARDS


def on_the_server(server: Server, *, version: int = 2) -> str:
    """A store of that version on a server, with the rows of the file."""
    address = server.address()
    database = database_at(address, write=True)
    inserts = re.findall(r"^INSERT INTO \"(\w+)\" VALUES\((.*)\);$", MADE_EARLIER, flags=re.MULTILINE)
    with database.writing() as connection:
        SCHEMAS[version].create_all(connection)
        for name in ("store", "worklists", "items", "imports", "batches", "marks", "gradings", "events"):
            for table_name, values in inserts:
                if table_name == name and "'locked','PI'" not in values:
                    connection.exec_driver_sql(f"INSERT INTO {name} VALUES ({values.replace('%', '%%')})")
        for name in ("marks", "gradings", "events", "batches", "imports", "worklists"):
            own = next(iter(SCHEMAS[version].tables[name].primary_key)).name
            connection.exec_driver_sql(
                f"SELECT setval(pg_get_serial_sequence('{name}', '{own}'), (SELECT max({own}) FROM {name}))"
            )
        make_guards(connection, SCHEMAS[version])
    database.engine.dispose()
    return address


def test_a_store_on_a_server_gets_what_it_lacks(server: Server) -> None:
    address = on_the_server(server)
    with open_readings(address, write=False) as store:
        store.check()
        assert store.grades().empty
        assert store.shown().state.sha256 == SEAL
    with open_readings(address) as store:
        assert store.events()["what"].tolist()[-1] == "grades added"
        assert store.shown().state.sha256 == SEAL
        store.write_grades(table(grade(image_id="I09")))
        store.write_worklist(GRADED, who="PI", washout_days=0)
        assert store.lock(who="PI", accept_unfinished=True).n_grades == 1
        store.check()
        with pytest.raises(StudyError, match="PI locked on"):
            store.write_grades(table(grade(image_id="I10")))


def test_a_reader_who_owns_no_table_goes_on_without_grades(server: Server) -> None:
    address = on_the_server(server)
    owner = address.split("://")[1].split(":")[0]
    reader = server.address().split("://")[1].split(":")[0]
    connection = server.connect()
    connection.run(f"GRANT USAGE ON SCHEMA {owner} TO {reader}")
    connection.run(f"GRANT SELECT, INSERT ON ALL TABLES IN SCHEMA {owner} TO {reader}")
    connection.run(f"ALTER ROLE {reader} SET search_path TO {owner}")
    connection.close()
    with open_readings(address.replace(f"//{owner}:", f"//{reader}:")) as store:
        store.write_marks(table(mark(image_id="I09")))
        with pytest.raises(StudyError, match=r"keeps no grades.*Let whoever owns the tables"):
            store.write_grades(table(grade()))
        with pytest.raises(StudyError, match="keeps no grades"):
            store.write_worklist(GRADED, who="PI", washout_days=0)
        assert store.grades().empty
        store.check()
        open_readings(address).close()  # by the owner, while the reader goes on
        store.write_grades(table(grade()))
        assert len(store.grades()) == 1
        store.check()


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("DROP TRIGGER marks_no_update", "no trigger marks_no_update"),
        ("DROP INDEX items_marks_once", "no index items_marks_once"),
        ("CREATE TABLE grades (grade)", "a foreign table grades"),
        (
            "DROP TRIGGER items_once_guard; CREATE TRIGGER items_once_guard BEFORE INSERT ON items WHEN 0 "
            "BEGIN SELECT 1; END",
            "a changed trigger items_once_guard",
        ),
    ],
)
def test_an_altered_one_is_neither_opened_nor_completed(text: str, found: str, opened: Path) -> None:
    connection = sqlite3.connect(opened)
    connection.executescript(text)
    connection.close()
    before = opened.read_bytes()
    for write in (False, True):
        with pytest.raises(StudyError, match=found):
            open_readings(opened, write=write)
    assert opened.read_bytes() == before


def test_a_store_that_says_it_is_earlier_than_it_is(file_place: str) -> None:
    with open_readings(file_place) as store:
        store.write_grades(table(grade()))
    connection = sqlite3.connect(file_place)
    (trigger,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = 'store_no_update'").fetchone()
    connection.executescript(f"DROP TRIGGER store_no_update; UPDATE store SET schema_version = 2; {trigger};")
    connection.close()
    with pytest.raises(StudyError, match="grades"):
        open_readings(file_place)


@pytest.mark.parametrize("step", ["_make_items_anew", "insert_event"])
def test_what_fails_half_way_leaves_the_store_as_it_was(
    step: str, opened: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import cohortlib.readings.completing as module

    before = rows(opened)
    whole: Callable[..., Any] = getattr(module, step)

    def broken(*given: Any, **named: Any) -> None:
        whole(*given, **named)
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(module, step, broken)
        with pytest.raises(KeyboardInterrupt):
            open_readings(opened)
    assert rows(opened) == before
    with open_readings(opened, write=False) as store:
        store.check()
        assert "grades added" not in set(store.events()["what"])
    with open_readings(opened) as store:
        assert json.loads(store.events()["details"].iloc[-1]) == {"version": 3}


KILLED = """
import os, signal, sys
from cohortlib.readings.completing import add_grades
from cohortlib.readings.opening import database_at
with database_at(sys.argv[1], write=True).writing() as connection:
    connection.exec_driver_sql("PRAGMA cache_size = 1")  # what is half done reaches the disk
    add_grades(connection)
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_program_that_is_killed_half_way_leaves_the_store_as_it_was(opened: Path) -> None:
    before, whole = rows(opened), opened.read_bytes()
    own = {**os.environ, "PYTHONPATH": str(Path(cohortlib.__file__).parents[1])}
    killed = subprocess.run([sys.executable, "-c", KILLED, str(opened)], check=False, env=own)
    assert killed.returncode == -signal.SIGKILL
    assert opened.read_bytes() != whole
    with open_readings(opened, write=False) as store:  # who comes next undoes it, also one who only looks
        store.check()
        assert store.shown().state.sha256 == SEAL
    assert opened.read_bytes() == whole
    with open_readings(opened) as store:
        assert store.events()["what"].tolist()[-1] == "grades added"
    assert rows(opened) == before
