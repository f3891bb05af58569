"""Marks of an item stored one by one while it is read; what of it may be seen again, and when."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from reading_rows import sha256

from cohortlib.errors import StudyError
from cohortlib.readings import make_worklist, open_readings
from cohortlib.readings.store import Readings

MARK = {"landmark": "teardrop", "side": "left", "x_px": 9.5, "y_px": 7.0}
GRADE = {"side": "left", "zone_system": "cup_3", "zone": "1", "state": "none", "width_mm": None}


def listed(place: str | Path, *, count: int = 4, repeat_share: float = 0.25) -> Readings:
    store = open_readings(place)
    ids = [f"IMG{number}" for number in range(count)]
    images = pd.DataFrame({"image_id": ids, "image_sha256": [sha256(one) for one in ids], "sides": "left"})
    worklist = make_worklist(images, readers=["R1", "R2"], repeat_share=repeat_share, seed=2)
    store.write_worklist(worklist, who="PI", washout_days=0)
    return store


def shown(store: Readings, reader_id: str = "R1") -> tuple[str, dict[str, Any]]:
    """The item that is read now, and what is said with every row of it."""
    item_id = str(store.next_item(reader_id)["item_id"].iloc[0])
    image_sha256 = sha256(store.item_image(item_id))
    return item_id, {"reader_id": reader_id, "image_sha256": image_sha256, "duration_s": 3.0}


# By hand -------------------------------------------------------------------------------------------


def test_a_mark_is_stored_before_the_item_is_finished(place: str) -> None:
    with listed(place) as store:
        item_id, whose = shown(store)
        mark = store.write_item(item_id, "marks", [MARK], **whose)
        grade = store.write_item(item_id, "gradings", [GRADE], **whose)
        assert mark[["item_id", "repeat", "duration_s"]].to_numpy().tolist() == [[item_id, 1, 3.0]]
        again = {**MARK, "x_px": 10.0, "supersedes": int(mark["mark_id"].iloc[0]), "reason": "moved"}
        store.write_item(item_id, "marks", [again], **whose)
        history = store.item_history(item_id, reader_id="R1")
        assert history["marks"]["x_px"].tolist() == [9.5, 10.0]
        assert history["gradings"]["grading_id"].tolist() == grade["grading_id"].tolist()
        assert shown(store)[0] == item_id
        store.finish_item(item_id, **whose)
        assert store.marks()["x_px"].tolist() == [10.0]
        assert shown(store)[0] != item_id
        store.check()


def test_a_withdrawn_mark_comes_back_by_a_row(place: str) -> None:
    with listed(place) as store:
        item_id, whose = shown(store)
        nowhere = {**MARK, "x_px": None, "y_px": None, "withdrawn": True}
        store.write_item(item_id, "marks", [MARK], **whose)
        store.write_item(item_id, "marks", [{**nowhere, "supersedes": 1, "reason": "undo"}], **whose)
        assert store.marks().empty
        store.write_item(item_id, "marks", [{**MARK, "supersedes": 2, "reason": "redo"}], **whose)
        assert store.marks()["mark_id"].tolist() == [3]


def test_a_finished_item_is_corrected_only(file_place: str) -> None:
    with listed(file_place) as store:
        item_id, whose = shown(store)
        store.write_item(item_id, "marks", [MARK], **whose)
        store.finish_item(item_id, **whose)
        store.write_item(item_id, "marks", [{**MARK, "y_px": 8.0, "supersedes": 1}], **whose)
        with pytest.raises(StudyError, match="a new row of a finished item"):
            store.write_item(item_id, "marks", [MARK], **whose)
        assert store.marks()["y_px"].tolist() == [8.0]


def test_an_earlier_session_stays_closed(file_place: str) -> None:
    with listed(file_place) as store:
        early = []
        for _ in range(3):
            item_id, whose = shown(store)
            store.write_item(item_id, "marks", [MARK], **whose)
            store.finish_item(item_id, **whose)
            early.append(item_id)
        assert len(store.item_history(early[0], reader_id="R1")["marks"]) == 1
        shown(store)  # of the second session
        for item_id in early:
            with pytest.raises(StudyError, match="an earlier session stay closed"):
                store.item_history(item_id, reader_id="R1")


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"item_id": "nothing0"}, "an item that next_item showed to R1"),
        ({"reader_id": "R2"}, "an item that next_item showed to R2"),
        ({"image_sha256": sha256("another")}, "an image that is not the one of the worklist"),
        ({"duration_s": -1}, "duration_s"),
        ({"rows": [{**MARK, "landmark": "cup_rim", "side": "right"}]}, "a side that was not asked for"),
        ({"rows": [{**MARK, "image_id": "IMG0"}]}, "unknown column"),
        ({"rows": [{**MARK, "supersedes": 7}]}, "the mark_id of a stored row"),
        ({"rows": []}, "a table of 1 to"),
    ],
)
def test_rows_that_are_refused(file_place: str, change: dict[str, Any], match: str) -> None:
    with listed(file_place) as store:
        item_id, whose = shown(store)
        given = {"item_id": item_id, "content": "marks", "rows": [MARK], **whose, **change}
        with pytest.raises(StudyError, match=match):
            store.write_item(**given)
        assert store.mark_history().empty


def test_nothing_after_the_lock(file_place: str) -> None:
    with listed(file_place) as store:
        item_id, whose = shown(store)
        store.lock(who="PI", accept_unfinished=True)
        with pytest.raises(StudyError, match="no reading after the lock"):
            store.write_item(item_id, "marks", [MARK], **whose)
