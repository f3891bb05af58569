"""Lock with a hash, then unblinding; both recorded, nothing read in between."""

from __future__ import annotations

import hashlib
import json
import sqlite3

import pandas as pd
import pytest
from reading_clock import SetClock
from reading_rows import grading, mark, sha256, table

import cohortlib
from cohortlib.errors import StudyError
from cohortlib.readings import make_worklist, open_readings

IMAGES = pd.DataFrame({"image_id": ["I01", "I02"], "sides": "both"}).assign(
    image_sha256=lambda t: t["image_id"].map(sha256)
)
LISTED = make_worklist(IMAGES, readers=["R5"], repeat_share=0, seed=1)

# By hand -------------------------------------------------------------------------------------------


def test_lock_then_unblind(place: str, set_clock: SetClock) -> None:
    with open_readings(place) as store:
        store.write_marks(table(mark(), mark(x_px=2.0)))
        store.write_marks(table(mark(supersedes=2, withdrawn=True, x_px=None, y_px=None)))
        store.write_gradings(table(grading()))
        store.write_worklist(LISTED, who="PI", washout_days=0)
        assert store.locked() is None
        with pytest.raises(StudyError, match="2 items that are not finished"):
            store.lock(who="PI")
        set_clock.forward(days=1)
        lock = store.lock(who="PI", accept_unfinished=True)
        assert lock[:2] == ("PI", "2031-07-02T09:00:00.000000Z")
        assert lock[4:] == (1, 1, 2, 0)
        with pytest.raises(StudyError, match="readings that are blinded"):
            store.key()
        set_clock.forward(days=1)
        key = store.unblind(who="PI", reason="primary analysis")
        pd.testing.assert_frame_equal(store.key(), key)
        assert sorted(key["image_id"]) == ["I01", "I02"]
        events = store.events()
    assert events["what"].tolist() == ["made", "worklist written", "locked", "unblinded"]
    assert events["who"].tolist() == ["", "PI", "PI", "PI"]
    assert events["stored_at"].dt.day.tolist() == [1, 1, 2, 3]
    assert json.loads(events["details"].iloc[2])["sha256"] == lock.sha256
    assert json.loads(events["details"].iloc[3]) == {"reason": "primary analysis"}


def test_every_way_of_writing_is_closed(place: str) -> None:
    with open_readings(place) as store:
        store.write_marks(table(mark()))
        store.write_worklist(LISTED, who="PI", washout_days=0)
        item_id = store.next_item("R5")["item_id"].iloc[0]
        before = store.mark_history()
        store.lock(who="PI", accept_unfinished=True)
        imported = table(mark(image_id="I07")).assign(marked_at=pd.Timestamp("2031-01-01", tz="UTC"))
        origin = {"file": "landmarks.csv", "sha256": sha256("file"), "who": "PI"}
        ways = [
            lambda: store.write_marks(table(mark())),
            lambda: store.write_marks(table(mark(supersedes=1))),
            lambda: store.write_gradings(table(grading())),
            lambda: store.import_marks(imported, provenance=origin),
            lambda: store.write_worklist(LISTED, who="PI", washout_days=0),
            lambda: store.next_item("R5"),
            lambda: store.finish_item(item_id, reader_id="R5", image_sha256=sha256("I01"), duration_s=1),
            lambda: store.lock(who="PI", accept_unfinished=True),
        ]
        for way in ways:
            with pytest.raises(StudyError, match="PI locked on"):
                way()
        pd.testing.assert_frame_equal(store.mark_history(), before)


# By reference: the hash by its definition, from the rows as another program reads them --------------


def test_the_hash_is_the_one_that_is_described(file_place: str) -> None:
    with open_readings(file_place) as store:
        store.write_marks(table(mark(x_px=0.1, reason="hällo"), mark(x_px=1e-7)))
        store.write_marks(table(mark(x_px=3.0, supersedes=1)))
        store.write_gradings(table(grading()))
        lock = store.lock(who="PI")
    connection = sqlite3.connect(file_place)
    digests = []
    for condition in ("mark_id <> 1", "1"):
        lines = []
        for name, where, order in (("marks", condition, "mark_id"), ("gradings", "1", "grading_id")):
            found = connection.execute(f"SELECT * FROM {name} WHERE {where} ORDER BY {order}")
            lines += [[column[0] for column in found.description], *map(list, found)]
        text = "".join(json.dumps(line, separators=(",", ":")) + "\n" for line in lines)
        digests.append(hashlib.sha256(text.encode()).hexdigest())
    connection.close()
    assert [lock.sha256, lock.history_sha256] == digests


# By law --------------------------------------------------------------------------------------------


def test_both_databases_give_the_same_hash(
    file_place: str, request: pytest.FixtureRequest, set_clock: SetClock
) -> None:
    locks = []
    for place in (file_place, request.getfixturevalue("server").address()):
        with open_readings(place) as store:
            store.write_marks(table(mark(x_px=1 / 3, y_px=65535.5), mark(x_px=5e-324, duration_s=1e-9)))
            store.write_marks(table(mark(supersedes=2, reason="ä")))
            store.write_gradings(table(grading(width_mm=0.1 + 0.2)))
            locks.append(store.lock(who="PI"))
    assert locks[0] == locks[1]


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("change", ["x_px = 1", "reader_id = 'R9'", "reason = 'x'"])
def test_altered_rows_are_found(change: str, file_place: str) -> None:
    with open_readings(file_place) as store:
        store.write_marks(table(mark()))
        store.lock(who="PI")
        store.check()
    connection = sqlite3.connect(file_place)
    (trigger,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = 'marks_no_update'").fetchone()
    connection.execute("DROP TRIGGER marks_no_update")
    connection.execute(f"UPDATE marks SET {change}")
    connection.execute(trigger)
    connection.commit()
    connection.close()
    with open_readings(file_place) as store:
        for look in (store.check, lambda: store.unblind(who="PI", reason="analysis")):
            with pytest.raises(StudyError, match="Someone altered locked readings"):
                look()
        assert store.events()["what"].tolist() == ["made", "locked"]


def test_a_row_that_was_slipped_into_a_batch_is_found(file_place: str) -> None:
    with open_readings(file_place) as store:
        store.write_marks(table(mark()))
    connection = sqlite3.connect(file_place)
    columns = [row[1] for row in connection.execute("PRAGMA table_info(marks)")][1:]
    listed = ", ".join(columns)
    connection.execute(f"INSERT INTO marks ({listed}) SELECT {listed} FROM marks")
    connection.commit()
    connection.close()
    with open_readings(file_place) as store:
        for look in (store.check, lambda: store.lock(who="PI")):
            with pytest.raises(StudyError, match=r"marks batch 1: found 2 rows\. Expected the 1 rows"):
                look()


@pytest.mark.parametrize("who", ["", None, "PI; DROP TABLE events", "x" * 65, 7])
def test_who_locks_is_named(who: object, file_place: str) -> None:
    with open_readings(file_place) as store:
        with pytest.raises(StudyError, match="who"):
            store.lock(who=who)
        with pytest.raises(StudyError, match="True or False"):
            store.lock(who="PI", accept_unfinished=1)
        with pytest.raises(StudyError, match="Lock the readings first"):
            store.unblind(who="PI", reason="analysis")
        with pytest.raises(StudyError, match="reason"):
            store.unblind(who="PI", reason="two\nlines")
        assert store.events()["what"].tolist() == ["made"]


def test_the_software_is_named(file_place: str) -> None:
    with open_readings(file_place) as store:
        assert set(store.events()["software"]) == {f"cohortlib {cohortlib.__version__}"}
