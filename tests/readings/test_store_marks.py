"""Marks and gradings: written whole or not at all, corrected by new rows, read as a study's tables."""

from __future__ import annotations

import datetime
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from reading_clock import SetClock
from reading_rows import grading, mark, sha256, table

import cohortlib
from cohortlib.errors import StudyError
from cohortlib.readings import open_readings
from cohortlib.tables import DICTIONARY

# By hand -------------------------------------------------------------------------------------------


def test_a_mark_is_stored_with_all_that_is_known_of_it(place: str, set_clock: SetClock) -> None:
    with open_readings(place) as store:
        stored = store.write_marks(table(mark(), mark(landmark="head_edge", x_px=3)))
        pd.testing.assert_frame_equal(store.marks(), stored)
    assert list(stored)[:8] == list(DICTIONARY["landmarks"])
    row = stored.iloc[0]
    assert row[["mark_id", "batch_id", "withdrawn", "reason"]].tolist() == [1, 1, False, ""]
    assert row[["x_px", "y_px", "duration_s"]].tolist() == [512.25, 800.0, 12.5]
    assert row["software"] == f"cohortlib {cohortlib.__version__}"
    assert row["image_sha256"] == sha256("I01")
    assert row["stored_at"] == row["marked_at"] == pd.Timestamp(set_clock.now)
    assert row[["claimed_at", "supersedes", "item_id", "import_id"]].isna().all()


def test_the_time_is_the_stores_own(place: str) -> None:
    before = datetime.datetime.now(datetime.UTC)
    with open_readings(place) as store:
        stored = store.write_marks(table(mark()))["stored_at"].iloc[0]
    assert before <= stored <= datetime.datetime.now(datetime.UTC)


def test_a_correction_and_a_withdrawal_leave_the_earlier_rows(place: str) -> None:
    with open_readings(place) as store:
        store.write_marks(table(mark(), mark(x_px=2.0)))
        store.write_marks(table(mark(x_px=9.0, side="right", supersedes=1, reason="wrong side")))
        store.write_marks(table(mark(x_px=None, y_px=None, supersedes=2, withdrawn=True)))
        store.write_marks(table(mark(x_px=9.5, supersedes=3)))
        assert store.marks()[["mark_id", "x_px", "side"]].to_numpy().tolist() == [[5, 9.5, "left"]]
        history = store.mark_history()
    assert history["supersedes"].fillna(0).tolist() == [0, 0, 1, 2, 3]
    assert history["x_px"].fillna(-1).tolist() == [512.25, 2.0, 9.0, -1, 9.5]


def test_a_zone_is_graded_once_and_then_corrected(place: str) -> None:
    with open_readings(place) as store:
        store.write_gradings(table(grading(), grading(zone="2", state="not assessable", width_mm=np.nan)))
        with pytest.raises(StudyError, match="there already"):
            store.write_gradings(table(grading(state="none", width_mm=None)))
        store.write_gradings(table(grading(state="none", width_mm=None, supersedes=1)))
        found = store.gradings()
        assert len(store.grading_history()) == 3
    assert list(found)[:9] == list(DICTIONARY["gradings"])
    assert dict(zip(found["zone"], found["state"], strict=True)) == {"2": "not assessable", "1": "none"}


def test_the_clock_may_not_go_back(place: str, set_clock: SetClock) -> None:
    with open_readings(place) as store:
        store.write_marks(table(mark()))
        set_clock.forward(minutes=-4)
        store.write_marks(table(mark()))
        set_clock.forward(minutes=-4)
        with pytest.raises(StudyError, match="Set the clock of the computer"):
            store.write_marks(table(mark()))


# By law: history only grows, and what stands is what nothing supersedes ----------------------------


class History(RuleBasedStateMachine):
    """A store beside a list of what was written to it."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.store = open_readings(self.folder.name)
        self.rows: list[dict[str, Any]] = []
        self.locked = False

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()

    def standing(self) -> list[int]:
        superseded = {row["supersedes"] for row in self.rows}
        numbers = range(1, len(self.rows) + 1)
        return [n for n in numbers if n not in superseded and not self.rows[n - 1]["withdrawn"]]

    def write(self, rows: list[dict[str, Any]], *, right: bool) -> None:
        if right and not self.locked:
            self.store.write_marks(rows)
            self.rows += [{"supersedes": None, "withdrawn": False, **row} for row in rows]
        else:
            with pytest.raises(StudyError):
                self.store.write_marks(rows)

    @initialize()
    def first(self) -> None:
        self.write([mark()], right=True)

    @rule(places=st.lists(st.floats(-0.5, 65535.5), min_size=1, max_size=3), reader=st.sampled_from("AB"))
    def add(self, places: list[float], reader: str) -> None:
        self.write([mark(x_px=x, reader_id=reader) for x in places], right=True)

    @rule(data=st.data(), withdrawn=st.booleans(), foreign=st.sampled_from(["", "reader_id", "image_id"]))
    def correct(self, data: st.DataObject, withdrawn: bool, foreign: str) -> None:
        number = data.draw(st.integers(1, len(self.rows) + 1))
        known = number <= len(self.rows)
        same = self.rows[number - 1] if known else mark()
        place = None if withdrawn else 7.0
        row = {**same, "supersedes": number, "withdrawn": withdrawn, "x_px": place, "y_px": place}
        if foreign:
            row[foreign] = "Z"
        superseded = {row["supersedes"] for row in self.rows}
        # A whole batch goes with its wrong row.
        self.write([mark(), row], right=known and not foreign and number not in superseded)

    @rule()
    def open_again(self) -> None:
        self.store.close()
        self.store = open_readings(self.folder.name)

    @precondition(lambda self: len(self.rows) > 6 and not self.locked)
    @rule()
    def lock(self) -> None:
        found = self.store.lock(who="PI")
        assert found.n_marks == len(self.standing())
        self.locked = True

    @invariant()
    def history_is_what_was_written(self) -> None:
        history = self.store.mark_history()
        assert history["mark_id"].tolist() == list(range(1, len(self.rows) + 1))
        for name in ("x_px", "reader_id", "supersedes", "withdrawn"):
            written = pd.Series([row[name] for row in self.rows], dtype=history[name].dtype, name=name)
            pd.testing.assert_series_equal(history[name], written)
        assert self.store.marks()["mark_id"].tolist() == self.standing()
        self.store.check()


History.TestCase.settings = settings(
    max_examples=8,
    stateful_step_count=12,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
)
test_history = History.TestCase


@settings(max_examples=60, deadline=None, derandomize=True)
@given(x=st.floats(-0.5, 65535.5), y=st.floats(-0.5, 65535.5), reason=st.text(max_size=20))
def test_numbers_come_back_to_the_last_digit(x: float, y: float, reason: str, shared: str) -> None:
    with open_readings(shared) as store:
        rows = table(mark(x_px=x, y_px=y, reason=reason))
        if not reason.isprintable() or reason != reason.strip() or reason[:1] in ("=", "+", "-", "@"):
            with pytest.raises(StudyError, match="reason: found"):
                store.write_marks(rows)
            return
        stored = store.write_marks(rows).iloc[0]
    assert stored[["x_px", "y_px", "reason"]].tolist() == [x, y, reason]


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One store for many examples."""
    return tmp_path_factory.mktemp("shared") / "readings.sqlite"


# By failure ----------------------------------------------------------------------------------------

HUGE = "x" * 10**6


@pytest.mark.parametrize(
    ("other", "match"),
    [
        ({"reader_id": "R1'; DROP TABLE marks; --"}, "reader_id: found R1'; DROP TABLE marks"),
        ({"image_id": HUGE}, r"image_id: found x+… \(1000000 letters\)"),
        ({"image_id": ""}, "image_id: found ''"),
        ({"image_id": "../I01"}, "image_id: found '../I01'"),
        ({"image_id": "I\x0001"}, "x0001"),
        ({"reader_id": None}, "reader_id: found no value"),
        ({"reader_id": 7}, "reader_id: found 7"),
        ({"reader_id": ["R1"]}, "reader_id: found"),
        ({"reader_id": b"R1"}, "reader_id: found .*b'R1'"),
        ({"repeat": 0}, "whole number from 1 to 99"),
        ({"repeat": 1.5}, "repeat: found 1.5"),
        ({"repeat": True}, "repeat: found True"),
        ({"repeat": 10**5000}, "repeat: found something of the type int"),
        ({"repeat": float("inf")}, "repeat: found 'inf'"),
        ({"repeat": "1"}, "repeat: found '1'"),
        ({"x_px": float("nan")}, "x_px: found no value"),
        ({"x_px": float("inf")}, "x_px: found 'inf'"),
        ({"x_px": -1.0}, "from -0.5 to 65535.5"),
        ({"x_px": "12"}, "x_px: found '12'"),
        ({"x_px": 1 + 2j}, "x_px: found"),
        ({"y_px": np.datetime64("2031-01-01")}, "y_px: found"),
        ({"landmark": "nose"}, "one of 'teardrop', 'head_edge', 'cup_rim'"),
        ({"side": "L"}, "one of 'left', 'right'"),
        ({"duration_s": -1}, "duration_s: found -1"),
        ({"duration_s": None}, "duration_s: found no value"),
        ({"image_sha256": "abc"}, "64 digits"),
        ({"image_sha256": sha256("I01").upper()}, "64 digits"),
        ({"supersedes": 99}, "mark_id of a stored row"),
        ({"supersedes": 2**70}, "supersedes: found"),
        ({"withdrawn": True, "x_px": None, "y_px": None}, "Name it in supersedes"),
        ({"withdrawn": True, "supersedes": 1}, "nothing in a row that is withdrawn"),
        ({"withdrawn": "yes"}, "True or False"),
        ({"reason": "=1+1"}, "does not begin with = "),
        ({"reason": "two\nlines"}, "reason: found"),
        ({"reader": "R1"}, "unknown column reader"),
        ({"stored_at": "2031-01-01"}, "unknown column stored_at"),
        ({"mark_id": 1}, "unknown column mark_id"),
    ],
)
def test_a_wrong_mark_is_refused_with_its_whole_batch(
    other: dict[str, Any], match: str, file_place: str
) -> None:
    with open_readings(file_place) as store:
        with pytest.raises(StudyError, match=match) as caught:
            store.write_marks([mark(), mark(**other)])
        assert len(str(caught.value)) < 1000
        assert store.mark_history().empty


@pytest.mark.parametrize(
    ("other", "match"),
    [
        ({"state": "partial"}, "one of 'none', 'incomplete', 'complete', 'not assessable'"),
        ({"state": None}, "state: found no value"),
        ({"state": "none"}, "a width only where there is a line"),
        ({"state": "not assessable"}, "a width only where there is a line"),
        ({"zone": "4"}, "cup_3 zone 4. Expected one of 1, 2, 3"),
        ({"zone_system": "mine"}, "zone_system: found 'mine'"),
        ({"width_mm": 31}, "from 0 to 30 mm"),
        ({"zone": "1"}, "each one once in a table"),
    ],
)
def test_a_wrong_grading_is_refused_with_its_whole_batch(
    other: dict[str, Any], match: str, file_place: str
) -> None:
    with open_readings(file_place) as store:
        with pytest.raises(StudyError, match=match):
            store.write_gradings(table(grading(), grading(**{"zone": "2", **other})))
        assert store.grading_history().empty


@pytest.mark.parametrize(
    "rows", [None, 7, "marks", [], [1], pd.DataFrame(), table(mark()).iloc[:0], pd.DataFrame({1: [2]})]
)
def test_what_is_no_table_is_refused(rows: Any, file_place: str) -> None:
    with open_readings(file_place) as store, pytest.raises(StudyError):
        store.write_marks(rows)


def test_a_column_twice_is_refused(file_place: str) -> None:
    rows = table(mark())
    with open_readings(file_place) as store, pytest.raises(StudyError, match="x_px: found a column twice"):
        store.write_marks(pd.concat([rows, rows[["x_px"]]], axis=1))


def test_every_problem_is_told_at_once(file_place: str) -> None:
    with open_readings(file_place) as store, pytest.raises(StudyError) as caught:
        store.write_marks([mark(side="L"), mark(side="L", x_px="a"), mark(x_px=None)])
    found = caught.value.problems[["line", "column", "found", "count"]].to_numpy().tolist()
    assert found == [[2, "side", "L", 2], [3, "x_px", "a", 1]]


ANYTHING = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=30),
    st.binary(max_size=5),
    st.decimals(),
    st.fractions(),
    st.complex_numbers(),
    st.dates(),
    st.datetimes(),
    st.lists(st.integers(), max_size=2),
    st.sampled_from([pd.NA, pd.NaT, np.float32(2), np.int8(1), np.bool_(True), np.str_("R1"), 2**2000, HUGE]),
)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(name=st.sampled_from([*mark(), "supersedes", "withdrawn", "reason"]), value=ANYTHING)
def test_anything_is_stored_or_refused_in_words(name: str, value: Any, shared: str) -> None:
    with open_readings(shared) as store:
        before = len(store.mark_history())
        try:
            store.write_marks([mark(**{name: value})])
        except StudyError:
            assert len(store.mark_history()) == before
        else:
            assert len(store.mark_history()) == before + 1
