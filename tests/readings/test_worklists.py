"""Worklists: random, repeatable, blind, with a washout that time stamps enforce."""

from __future__ import annotations

import datetime
import re
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading_clock import SetClock
from reading_rows import grading, mark, sha256, table

from cohortlib.errors import StudyError
from cohortlib.readings import make_worklist, open_readings
from cohortlib.readings.store import Readings

WASHOUT_DAYS = 14


def study_images(count: int) -> pd.DataFrame:
    """Images whose ids follow the patients, beside all that a reader must not see."""
    numbers = range(1, count + 1)
    ids = [f"IMG{number:03}" for number in numbers]
    return pd.DataFrame(
        {
            "image_id": ids,
            "image_sha256": [sha256(image_id) for image_id in ids],
            "sides": "both",
            "patient_id": [f"PAT{number // 2:03}" for number in numbers],
            "visit_id": "month_12",
            "arm": "short_stem",
            "date": "2030-04-01",
            "path": [f"images/{image_id}.dcm" for image_id in ids],
        }
    )


def worklist(count: int = 10, *, readers: tuple[str, ...] = ("R1", "R2"), seed: int = 5) -> pd.DataFrame:
    return make_worklist(study_images(count), readers=readers, repeat_share=0.2, seed=seed)


def finish(store: Readings, whose: str, **other: Any) -> pd.DataFrame:
    """Read the next item of a reader; what the reader saw."""
    seen = store.next_item(whose)
    if len(seen):
        item_id = seen["item_id"].iloc[0]
        values = {"image_sha256": sha256(store.item_image(item_id)), "duration_s": 40.0}
        marks = pd.DataFrame({"landmark": ["teardrop"], "side": ["left"], "x_px": [9.5], "y_px": [7.0]})
        store.finish_item(item_id, **{"reader_id": whose, "marks": marks, **values, **other})
    return seen


# By hand -------------------------------------------------------------------------------------------


def test_each_reader_reads_every_image_and_some_again() -> None:
    found = worklist()
    for _, items in found.groupby("reader_id"):
        assert sorted(items.loc[items["role"] == "first", "image_id"]) == sorted(study_images(10)["image_id"])
        again = items[items["role"] == "repeat"]
        early = items[items["session"] == 1]
        assert again["repeat"].tolist() == [2, 2]
        assert set(again["image_id"]) <= set(early["image_id"])
        # As many first readings are held back as there are repeats among them.
        late = items[items["session"] == 2]
        assert late["role"].value_counts().to_dict() == {"first": 2, "repeat": 2}
        assert items["place"].tolist() == [*range(1, 9), *range(1, 5)]
    assert "patient_id" not in found


def test_a_whole_reading_with_washout(place: str, set_clock: SetClock) -> None:
    with open_readings(place) as store:
        store.write_worklist(worklist(), who="PI", washout_days=WASHOUT_DAYS)
        first = set_clock.now
        for _ in range(8):
            seen = finish(store, "R1")
            set_clock.forward(minutes=5)
        assert seen[["number", "of", "sides"]].iloc[0].tolist() == [8, 12, "both"]
        with pytest.raises(StudyError, match="nothing before 2031-07-15T09:") as caught:
            store.next_item("R1")
        assert "repeat" not in str(caught.value)
        opens = store.progress().set_index(["reader_id", "session"])["opens_at"]
        last_first = store.marks().merge(worklist().query("repeat == 2 and reader_id == 'R1'"), on="image_id")
        expected = last_first["stored_at"].max() + pd.Timedelta(days=WASHOUT_DAYS)
        assert opens["R1", 2] == expected
        assert pd.isna(opens["R1", 1])
        set_clock.now = expected.to_pydatetime() - datetime.timedelta(seconds=1)
        with pytest.raises(StudyError, match="Come back then"):
            store.next_item("R1")
        set_clock.forward(seconds=1)
        for _ in range(4):
            finish(store, "R1")
        assert finish(store, "R1").empty
        marks = store.marks().query("reader_id == 'R1'")
        pairs = marks.pivot_table(index="image_id", columns="repeat", values="stored_at", aggfunc="first")
        apart = (pairs[2] - pairs[1]).dropna()
        assert len(apart) == 2
        assert (apart >= pd.Timedelta(days=WASHOUT_DAYS)).all()
        progress = store.progress().set_index(["reader_id", "session"])[["n_items", "n_finished"]]
        assert progress.T.to_dict("list") == {
            ("R1", 1): [8, 8],
            ("R1", 2): [4, 4],
            ("R2", 1): [8, 0],
            ("R2", 2): [4, 0],
        }
        assert (marks["image_sha256"] == marks["image_id"].map(sha256)).all()
        assert marks["item_id"].notna().all()
        assert store.events().query("what == 'item finished'")["stored_at"].min() == pd.Timestamp(first)


def test_the_same_item_comes_until_it_is_finished(place: str) -> None:
    with open_readings(place) as store:
        store.write_worklist(worklist(), who="PI", washout_days=WASHOUT_DAYS)
        item_id = store.next_item("R1")["item_id"].iloc[0]
    for _ in range(2):
        with open_readings(place) as store:
            assert store.next_item("R1")["item_id"].tolist() == [item_id]
    with open_readings(place) as store:
        finish(store, "R1", gradings=None, marks=None, remark="cut off at the edge")
        assert store.next_item("R1")["item_id"].tolist() != [item_id]
        assert store.marks().empty
        assert store.worklist("R1")["finished"].sum() == 1
        assert "cut off at the edge" in store.events()["details"].str.cat()


def test_marks_and_gradings_of_an_item_are_stored_together(place: str) -> None:
    grades = pd.DataFrame({"side": ["left"], "zone_system": ["cup_3"], "zone": ["1"], "state": ["complete"]})
    with open_readings(place) as store:
        store.write_worklist(worklist(), who="PI", washout_days=WASHOUT_DAYS)
        with pytest.raises(StudyError, match="state"):
            finish(store, "R1", gradings=grades.assign(state="thin"))
        assert store.marks().empty  # not even the marks, which were right
        finish(store, "R1", gradings=grades)
        assert len(store.marks()) == len(store.gradings()) == 1
        assert store.marks()["item_id"].tolist() == store.gradings()["item_id"].tolist()


# By law --------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    count=st.integers(2, 30),
    share=st.floats(0, 0.5),
    seed=st.integers(0, 2**31 - 1),
    readers=st.lists(st.sampled_from(["A", "B", "C"]), min_size=1, unique=True),
)
def test_worklists_keep_their_rules(count: int, share: float, seed: int, readers: list[str]) -> None:
    images = study_images(count)
    options: dict[str, Any] = {"readers": readers, "repeat_share": share, "seed": seed}
    found = make_worklist(images, **options)
    pd.testing.assert_frame_equal(found, make_worklist(images.iloc[::-1], **options))
    assert found["item_id"].is_unique
    assert not found.duplicated(["reader_id", "image_id", "repeat"]).any()
    for reader_id, items in found.groupby("reader_id"):
        repeats = items[items["role"] == "repeat"]
        assert len(items) == count + len(repeats)
        assert abs(len(repeats) - share * count) <= 1
        alone = make_worklist(images, **{**options, "readers": [reader_id]})
        assert alone["image_id"].tolist() == items["image_id"].tolist()


def test_the_order_says_nothing_of_the_patients() -> None:
    images = study_images(40)
    orders = [
        make_worklist(images, readers=["R1"], repeat_share=0, seed=seed)["image_id"] for seed in range(200)
    ]
    places = np.array([order.rank(method="first") for order in orders])
    # Of a random order the correlation with the patients has mean 0 and variance 1 / (n - 1).
    correlation = [np.corrcoef(row, np.arange(40))[0, 1] for row in places]
    assert abs(np.mean(correlation)) < 4 / np.sqrt(39 * 200)
    assert np.std(correlation) == pytest.approx(1 / np.sqrt(39), rel=0.2)


def test_nothing_in_the_readers_view_tells_whose_image_it_is(place: str, set_clock: SetClock) -> None:
    images = study_images(10)
    with open_readings(place) as store:
        store.write_worklist(worklist(), who="PI", washout_days=WASHOUT_DAYS)
        shown = []
        for _ in range(12):
            try:
                shown.append(finish(store, "R1"))
            except StudyError as error:
                shown.append(error.problems.drop(columns="found"))
                set_clock.forward(days=WASHOUT_DAYS)
                shown.append(finish(store, "R1"))
        shown.append(store.worklist("R1"))
    views = [view for view in shown if "item_id" in view]
    assert all(set(view) == {"item_id", "number", "of", "sides", "task", "finished"} for view in views)
    text = "\n".join(view.to_csv() + view.to_json() + repr(view.attrs) for view in shown)
    hidden = {str(value) for name in images.columns.drop("sides") for value in images[name]}
    hidden |= {value[:8] for value in images["image_sha256"]} | {"2030", "2031", "IMG", "PAT", "R2"}
    hidden |= {"repeat", "first", "session", "adjudication", "arm", "visit", "patient"}
    assert not [value for value in hidden if value in text]
    # A name tells nothing either: no two items of an image, or of neighbours, look alike.
    assert all(re.fullmatch("[a-z2-9]{8}", name) for view in views for name in view["item_id"])
    assert len({name[:4] for name in worklist(100)["item_id"]}) > 200


def test_the_time_of_a_click_stands_beside_the_time_of_storing(place: str, set_clock: SetClock) -> None:
    with open_readings(place) as store:
        store.write_worklist(worklist(4, readers=("R1",)), who="PI", washout_days=WASHOUT_DAYS)
        store.next_item("R1")
        clicked = set_clock.now + datetime.timedelta(seconds=12)
        set_clock.forward(seconds=40)
        marks = pd.DataFrame({"landmark": ["teardrop"], "side": ["left"], "x_px": [9.5], "y_px": [7.0]})
        finish(store, "R1", marks=marks.assign(marked_at=pd.Timestamp(clicked)))
        found = store.marks().iloc[0]
        assert (found["marked_at"], found["claimed_at"]) == (clicked, clicked)
        assert found["stored_at"] == set_clock.now
        for wrong in (
            set_clock.now - datetime.timedelta(hours=1),
            set_clock.now + datetime.timedelta(hours=1),
        ):
            with pytest.raises(StudyError, match="a time after the item was shown, and not after now"):
                finish(store, "R1", marks=marks.assign(marked_at=pd.Timestamp(wrong)))
        with pytest.raises(StudyError, match="a time with its zone"):
            finish(store, "R1", marks=marks.assign(marked_at=pd.Timestamp("2031-07-01")))
        assert len(store.marks()) == 1


def test_what_somebody_read_or_is_to_read(place: str) -> None:
    with open_readings(place) as store:
        store.write_marks(
            table(mark(image_id="IMG090", reader_id="R1"), mark(image_id="IMG091", reader_id="R9"))
        )
        store.write_gradings(table(grading(image_id="IMG092", reader_id="R2")))
        store.write_worklist(worklist(2, readers=("R2",)), who="PI", washout_days=WASHOUT_DAYS)
        assert store.images_of(["R1"], task="marks") == {"IMG090"}
        assert store.images_of(["R2"], task="marks") == {"IMG001", "IMG002"}
        assert store.images_of(["R1", "R2"], task="marks and gradings") == {
            "IMG001",
            "IMG002",
            "IMG090",
            "IMG092",
        }


def test_marks_and_gradings_of_a_reading_may_have_worklists_of_their_own(
    place: str, set_clock: SetClock
) -> None:
    images = study_images(2)
    how = {"readers": ["R1"], "repeat_share": 0.5}
    marks = pd.DataFrame({"landmark": ["teardrop"], "side": ["left"], "x_px": [9.5], "y_px": [7.0]})
    zone = pd.DataFrame({"side": ["left"], "zone_system": "cup_3", "zone": "1", "state": "none"})
    with open_readings(place) as store:
        first = make_worklist(images, **how, seed=1, task="marks")
        store.write_worklist(first, who="PI", washout_days=WASHOUT_DAYS)
        store.write_worklist(
            make_worklist(images, **how, seed=2, task="gradings"), who="PI", washout_days=WASHOUT_DAYS
        )
        for other in ("marks", "gradings", "marks and gradings"):
            again = make_worklist(images, **how, seed=3, task=other)
            with pytest.raises(StudyError, match="readings of which the store has no items yet"):
                store.write_worklist(again, who="PI", washout_days=WASHOUT_DAYS)
        assert store.next_item("R1")["task"].tolist() == ["marks"]
        with pytest.raises(StudyError, match="gradings of an item that asks for marks"):
            finish(store, "R1", marks=None, gradings=zone)
        finish(store, "R1", marks=marks)
        # Marks wait for their washout; gradings of the same images do not.
        assert store.next_item("R1")["task"].tolist() == ["gradings"]
        with pytest.raises(StudyError, match="marks of an item that asks for gradings"):
            finish(store, "R1", marks=marks)
        finish(store, "R1", marks=None, gradings=zone)
        with pytest.raises(StudyError, match="nothing before"):
            store.next_item("R1")
        set_clock.forward(days=WASHOUT_DAYS, minutes=1)
        while len(seen := store.next_item("R1")):
            asked = {"marks": {"marks": marks}, "gradings": {"marks": None, "gradings": zone}}
            finish(store, "R1", **asked[seen["task"].iloc[0]])
        for table in (store.marks(), store.gradings()):
            assert sorted(table["repeat"]) == [1, 1, 2]
        state = store.shown().state
        assert (state.n_marks_hidden, state.n_gradings_hidden, state.n_items) == (3, 3, 6)


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({"image_id": "I1"}, {}, "image_id: found 'I1' .9 rows.. Expected each one once"),
        ({"image_sha256": "x"}, {}, "64 digits"),
        ({"sides": "top"}, {}, "'left', 'right', 'both'"),
        ({"sides": None}, {}, "no value"),
        ({}, {"repeat_share": 0.6}, "from 0 to 0.5"),
        ({}, {"repeat_share": float("nan")}, "repeat_share: found no value"),
        ({}, {"seed": -1}, "seed: found -1"),
        ({}, {"seed": 1.5}, "seed: found 1.5"),
        ({}, {"readers": "R1"}, "a list of reader_id"),
        ({}, {"readers": []}, "a list of reader_id"),
        ({}, {"readers": ["R1", "R1"]}, "found 'R1'. Expected each one once"),
        ({}, {"readers": ["R1; DROP TABLE items"]}, "readers: found R1; DROP"),
    ],
)
def test_wrong_worklists_are_not_made(change: dict, options: dict, match: str) -> None:
    with pytest.raises(StudyError, match=match):
        make_worklist(
            study_images(10).assign(**change),
            **{"readers": ["R1"], "repeat_share": 0.2, "seed": 1, **options},
        )


def test_an_image_cannot_be_repeated_alone() -> None:
    with pytest.raises(StudyError, match="at least 2"):
        make_worklist(study_images(1), readers=["R1"], repeat_share=0.2, seed=1)
    with pytest.raises(StudyError, match="no such column"):
        make_worklist(study_images(3)[["image_id"]], readers=["R1"], repeat_share=0, seed=1)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"role": "repeat"}, "the reading that it repeats in an earlier session"),
        ({"session": 1}, "the reading that it repeats in an earlier session"),
        ({"role": "adjudication"}, "repeat 1 for everything but a hidden repeat"),
        ({"item_id": "a"}, "item_id: found 'a'"),
        ({"repeat": 1}, "each one once"),
        ({"role": "extra"}, "'first', 'repeat', 'adjudication'"),
    ],
)
def test_wrong_worklists_are_not_stored(change: dict, match: str, file_place: str) -> None:
    with open_readings(file_place) as store:
        with pytest.raises(StudyError, match=match):
            store.write_worklist(worklist().assign(**change), who="PI", washout_days=14)
        with pytest.raises(StudyError, match="washout_days: found -1"):
            store.write_worklist(worklist(), who="PI", washout_days=-1)
        assert store.worklists().empty
        assert store.progress().empty


def test_a_reading_stands_on_one_worklist_only(file_place: str) -> None:
    with open_readings(file_place) as store:
        store.write_worklist(worklist(), who="PI", washout_days=14)
        with pytest.raises(StudyError, match="another seed"):
            store.write_worklist(worklist(), who="PI", washout_days=14)
        with pytest.raises(StudyError, match="no items yet"):
            store.write_worklist(worklist(seed=6), who="PI", washout_days=14)
        store.write_worklist(worklist(readers=("R3",)), who="PI", washout_days=14)
        store.write_marks(table(mark(image_id="IMG001", reader_id="R4")))
        with pytest.raises(StudyError, match="no marks yet"):
            store.write_worklist(worklist(readers=("R4",)), who="PI", washout_days=14)
        assert store.worklists()["n_items"].tolist() == [24, 12]


def test_a_reading_of_a_worklist_is_not_written_past_it(file_place: str) -> None:
    listed = {"image_id": "IMG001", "reader_id": "R1"}
    with open_readings(file_place) as store:
        store.write_worklist(worklist(), who="PI", washout_days=14)
        with pytest.raises(StudyError, match="Write them with finish_item"):
            store.write_marks(table(mark(**listed)))
        with pytest.raises(StudyError, match="Write them with finish_item"):
            store.write_gradings(table(grading(**listed)))
        rows = table(mark(**listed)).drop(columns=["duration_s", "image_sha256"])
        rows["marked_at"] = pd.Timestamp("2031-01-01", tz="UTC")
        with pytest.raises(StudyError, match="Write them with finish_item"):
            store.import_marks(rows, provenance={"file": "a.csv", "sha256": sha256("a"), "who": "PI"})
        store.write_marks(table(mark(image_id="IMG001", reader_id="R9")))
        finish(store, "R1")
        stored = store.marks().query("reader_id == 'R1'").iloc[0]
        again = {"image_id": stored["image_id"], "reader_id": "R1", "supersedes": int(stored["mark_id"])}
        store.write_marks(table(mark(**again, reason="slipped")))  # a correction is no new reading


@pytest.mark.parametrize(
    ("other", "match"),
    [
        ({"reader_id": "R2"}, "the item that next_item showed to R2"),
        ({"reader_id": "R3"}, "a reader with a worklist"),
        ({"image_sha256": sha256("other")}, "Put the image back as it was"),
        ({"image_sha256": None}, "image_sha256: found no value"),
        ({"duration_s": float("nan")}, "duration_s: found no value"),
        ({"duration_s": -5}, "duration_s: found -5"),
        ({"remark": "=HYPERLINK(1)"}, "does not begin with ="),
        ({"marks": pd.DataFrame({"side": ["left"]})}, "no such column"),
        ({"marks": table(mark())}, "unknown column image_id"),
    ],
)
def test_an_item_is_finished_by_its_reader_with_its_image(other: dict, match: str, file_place: str) -> None:
    with open_readings(file_place) as store:
        store.write_worklist(worklist(), who="PI", washout_days=14)
        with pytest.raises(StudyError, match=match):
            finish(store, "R1", **other)
        assert store.mark_history().empty
        assert store.worklist("R1")["finished"].sum() == 0


def test_items_are_taken_in_their_order(file_place: str) -> None:
    with open_readings(file_place) as store:
        store.write_worklist(worklist(), who="PI", washout_days=14)
        items = store.worklist("R1")["item_id"]
        for item_id in (items[0], items[1], "x'; DELETE FROM items"):  # none was shown yet
            with pytest.raises(StudyError, match="item_id: found"):
                store.finish_item(item_id, reader_id="R1", image_sha256=sha256("a"), duration_s=1)
        finish(store, "R1")
        with pytest.raises(StudyError, match="not finished yet"):
            store.finish_item(items[0], reader_id="R1", image_sha256=sha256("a"), duration_s=1)
        with pytest.raises(StudyError, match="an item of a worklist"):
            store.item_image("abcdefgh")
        with pytest.raises(StudyError, match="a reader with a worklist"):
            store.next_item("R7")


def test_only_the_side_that_was_asked_for_is_read(file_place: str) -> None:
    right = make_worklist(study_images(4).assign(sides="right"), readers=["R1"], repeat_share=0, seed=1)
    with open_readings(file_place) as store:
        store.write_worklist(right, who="PI", washout_days=14)
        rim = pd.DataFrame({"landmark": ["cup_rim"], "side": ["left"], "x_px": [9.5], "y_px": [7.0]})
        with pytest.raises(StudyError, match="a side that was not asked for"):
            finish(store, "R1", marks=rim)
        finish(store, "R1")  # a teardrop of the other side: the line between them is needed
