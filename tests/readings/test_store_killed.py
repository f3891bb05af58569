"""Writers that are killed, and writers at once: what was acknowledged is there, and nothing by halves."""

from __future__ import annotations

import os
import signal
import sqlite3
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from database_server import Server
from reading_rows import mark, table
from writer_process import Writers

from cohortlib.errors import StudyError
from cohortlib.readings import open_readings

ROUNDS, WRITERS_A_ROUND = 50, 4  # 200 kills; whoever lives on meets what the dead left behind
ROUNDS_A_STORE = 10
EARLY_ROUNDS = 2  # of each store: killed while it is made or opened, or at the first batch
LATE_ROUNDS = ROUNDS - EARLY_ROUNDS * ROUNDS // ROUNDS_A_STORE  # in each of these a batch is acknowledged
LONGEST_S = 0.06


@pytest.fixture(scope="module")
def writers() -> Iterator[Writers]:
    started = Writers()
    yield started
    started.close()


@pytest.fixture(autouse=True)
def nothing_heard_yet(writers: Writers) -> None:
    writers.acknowledged.clear()
    writers.failed = 0


def check_all_there(place: str, writers: Writers) -> pd.DataFrame:
    """The store opens, has every acknowledged mark, and no batch by halves."""
    with open_readings(place) as store:
        store.check()
        history = store.mark_history()
        current = store.marks()
    whose = dict(zip(history["mark_id"], history["reader_id"], strict=True))
    for reader_id, batches in writers.acknowledged.items():
        assert all(whose.get(number) == reader_id for batch in batches for number in batch)
    batches: dict[tuple[str, float], list[tuple[float, float, int]]] = {}
    columns = (history[name] for name in ("reader_id", "x_px", "y_px", "duration_s", "batch_id"))
    for reader_id, number, place_in_it, size, batch_id in zip(*columns, strict=True):
        batches.setdefault((reader_id, number), []).append((place_in_it, size, batch_id))
    for rows in batches.values():
        size, batch_id = rows[0][1:]
        assert rows == [(step, size, batch_id) for step in range(int(size))]
    assert set(current["mark_id"]) == set(history["mark_id"]) - set(history["supersedes"].dropna())
    return history


def kill_often(places: Iterator[str], writers: Writers, *, seed: int) -> tuple[int, int]:
    """Kill writers at random moments; how many batches were acknowledged, and how many are stored."""
    stream = np.random.default_rng(seed)
    acknowledged, stored = 0, 0
    for number in range(ROUNDS):
        if number % ROUNDS_A_STORE == 0:
            place = next(places)
            writers.acknowledged.clear()
        if number % ROUNDS_A_STORE == EARLY_ROUNDS:
            writers.open(place)  # from here on they are killed at their writing alone
        readers = [f"R{number}_{step}" for step in range(WRITERS_A_ROUND)]
        pids = [writers.start(place, reader_id) for reader_id in readers]
        if number % ROUNDS_A_STORE >= EARLY_ROUNDS:
            writers.wait_for_marks(readers)
        for pid in stream.permutation(pids):
            time.sleep(stream.uniform(0, LONGEST_S))
            os.kill(pid, signal.SIGKILL)
        writers.reap()
        if number % ROUNDS_A_STORE >= EARLY_ROUNDS:
            open_readings(place, write=False).close()  # who only looks needs no writer to clear up first
        if number % ROUNDS_A_STORE == ROUNDS_A_STORE - 1:
            # Nothing that was lost in an earlier round could have come back: rows are added only.
            history = check_all_there(place, writers)
            stored += history["batch_id"].nunique()
            acknowledged += sum(map(len, writers.acknowledged.values()))
    assert writers.failed == 0  # every one was killed, none gave up
    return acknowledged, stored


# By recovery: killed at random moments -------------------------------------------------------------


def test_a_killed_writer_loses_nothing_in_a_file(tmp_path: Path, writers: Writers) -> None:
    places = (str(tmp_path / f"{number}.sqlite") for number in range(ROUNDS))
    acknowledged, stored = kill_often(places, writers, seed=1)
    assert LATE_ROUNDS <= acknowledged <= stored
    for file in tmp_path.glob("*.sqlite"):
        connection = sqlite3.connect(file)
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        connection.close()


def test_a_killed_writer_loses_nothing_on_a_server(server: Server, writers: Writers) -> None:
    places = (server.address() for _ in range(ROUNDS))
    acknowledged, stored = kill_often(places, writers, seed=2)
    assert LATE_ROUNDS <= acknowledged <= stored


def test_a_crashed_server_loses_nothing(server: Server, writers: Writers) -> None:
    place = server.address()
    for number in range(3):
        writers.start(place, f"R{number}")
        time.sleep(0.5)
        server.stop("immediate")
        writers.reap()
        server.start()
        check_all_there(place, writers)
    assert sum(map(len, writers.acknowledged.values())) > 0


# By law: two at once -------------------------------------------------------------------------------


def test_two_writers_lose_nothing(place: str, writers: Writers) -> None:
    limit = 40
    for reader_id in ("R1", "R2"):
        writers.start(place, reader_id, limit, pause_ms=20)
    writers.reap()
    assert writers.failed == 0
    history = check_all_there(place, writers)
    assert history.groupby("reader_id")["x_px"].nunique().to_dict() == {"R1": limit, "R2": limit}
    # They took turns: neither waited for the other to be done.
    assert (history["reader_id"] != history["reader_id"].shift()).sum() > 4


def test_of_two_corrections_of_a_mark_one_is_stored(place: str) -> None:
    with open_readings(place) as one, open_readings(place) as other, ThreadPoolExecutor() as pool:
        for _ in range(10):
            number = int(one.write_marks(table(mark()))["mark_id"].iloc[0])
            tries = [
                pool.submit(store.write_marks, table(mark(supersedes=number, x_px=1.0)))
                for store in (one, other)
            ]
            errors = [error for error in (attempt.exception() for attempt in tries) if error]
            assert [type(error) for error in errors] == [StudyError]
            assert (one.mark_history()["supersedes"] == number).sum() == 1


def test_nothing_is_acknowledged_past_the_lock(place: str, writers: Writers) -> None:
    for reader_id in ("R1", "R2"):
        writers.start(place, reader_id, pause_ms=20)
    deadline = time.monotonic() + 20
    with open_readings(place) as store:
        while len(store.marks()) < 20 and time.monotonic() < deadline:
            time.sleep(0.02)
        lock = store.lock(who="PI")
        writers.reap()  # both stop at the lock by themselves
        assert writers.failed == 2
        history = check_all_there(place, writers)
        assert lock.n_marks == len(store.marks())
        stored = {int(number) for number in history["mark_id"]}
        heard = {n for batches in writers.acknowledged.values() for batch in batches for n in batch}
        assert heard <= stored
        assert store.locked() == lock
        with pytest.raises(StudyError, match="PI locked"):
            store.lock(who="PI")
