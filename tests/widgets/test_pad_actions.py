"""Every action of the marking pad without a screen: what is stored, what is asked for, what is refused."""

from __future__ import annotations

import hashlib
import json
import os
import re
import resource
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pad_sittings import (
    COLUMNS,
    HIDDEN,
    PLAN,
    ROWS,
    film_of,
    image_ids,
    mark_all,
    pad_at,
    reading_store,
    sha256,
)

from cohortlib.dicom import read_radiograph
from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.readings import open_readings
from cohortlib.widgets.pad import MarkingPad, ShownFilm, marked_zones, study_films
from cohortlib.widgets.pad.films import WHITEST, screen_greys
from cohortlib.widgets.pad.outlines import zone_outlines
from cohortlib.widgets.pad.pad import ACTIONS
from cohortlib.widgets.pad.plan import plan_steps

ZONE = {"side": "left", "zone_system": "cup_3", "zone": "2"}


def said(pad: MarkingPad) -> tuple[list[Any], list[Any]]:
    """Marks and grades in view, as they can be compared."""
    return pad.marks().to_numpy().tolist(), pad.grades().fillna(-1.0).to_numpy().tolist()


# By hand -------------------------------------------------------------------------------------------


def test_marks_are_asked_for_in_order(tmp_path: Path) -> None:
    pad = pad_at(reading_store(tmp_path), zone_systems=["cup_3"])
    words = []
    while pad.asked is not None:
        words.append(pad.steps[pad.asked].words)
        step = pad.steps[pad.asked]
        if len(words) == 4:
            assert pad.missing()[:2] == ["right cup zone 1", "right cup zone 2"]
        if hasattr(step, "landmark"):
            pad.add_mark(step.landmark, side=step.side, x_px=1, y_px=2)
        else:
            pad.grade(**step._asdict(), state="none")
    side = ["teardrop", "head edge", "head edge", "cup zone 1", "cup zone 2", "cup zone 3"]
    assert words == [f"{which} {what}" for which in ("right", "left") for what in side]
    assert pad.missing() == []


def test_a_landmark_of_the_middle_is_asked_for_once() -> None:
    steps = plan_steps({"symphysis_top": 1, "teardrop": 1}, [], sides="both")
    assert [step.words for step in steps] == ["symphysis top", "right teardrop", "left teardrop"]


def test_only_the_side_that_the_item_names(tmp_path: Path) -> None:
    pad = pad_at(reading_store(tmp_path, sides="left"))
    words = [step.words for step in pad.steps]
    assert words == ["right teardrop", "left teardrop", "left head edge"], "the line needs both teardrops"
    pad.add_mark("teardrop", side="right", x_px=1, y_px=2)
    with pytest.raises(StudyError, match="a side that was not asked for"):
        pad.add_mark("head_edge", side="right", x_px=1, y_px=2)


def test_a_mark_is_in_the_store_when_it_returns(tmp_path: Path) -> None:
    pad = pad_at(reading_store(tmp_path))
    number = pad.add_mark("teardrop", side="left", x_px=12.25, y_px=30.5)
    pad.move_mark(number, x_px=13.0, y_px=30.5)
    with open_readings(tmp_path, write=False) as other:  # as another program finds it
        stored = other.marks()
        history = other.mark_history()
    assert stored[["landmark", "side", "x_px", "y_px", "repeat"]].to_numpy().tolist() == [
        ["teardrop", "left", 13.0, 30.5, 1]
    ]
    assert stored["image_sha256"].tolist() == [sha256(str(stored["image_id"].iloc[0]))]
    assert history["reason"].tolist() == ["", "moved"]
    assert history["supersedes"].fillna(0).tolist() == [0, 1]


def test_undo_and_redo_are_rows(tmp_path: Path) -> None:
    store = reading_store(tmp_path)
    pad = pad_at(store)
    pad.grade(**ZONE, state="incomplete", width_mm=1.5)
    pad.grade(**ZONE, state="complete")
    pad.undo()
    assert pad.grades()[["state", "width_mm"]].to_numpy().tolist() == [["incomplete", 1.5]]
    pad.undo()
    assert pad.grades().empty
    assert store.gradings().empty
    pad.redo()
    history = store.grading_history()
    assert history["reason"].tolist() == ["", "graded again", "undo", "undo", "redo"]
    assert history["withdrawn"].tolist() == [False, False, False, True, False]
    assert history["supersedes"].fillna(0).tolist() == [0, 1, 2, 3, 4]


def test_a_chosen_step_is_left_when_it_is_complete(tmp_path: Path) -> None:
    pad = pad_at(reading_store(tmp_path))
    left_edge = next(k for k, step in enumerate(pad.steps) if step.words == "left head edge")
    pad.choose(left_edge)
    for _ in range(2):
        assert pad.asked == left_edge
        pad.add_mark("head_edge", side="left", x_px=1, y_px=2)
    assert pad.steps[pad.asked or 0].words == "right teardrop"


def test_the_next_film_comes_when_this_one_is_finished(tmp_path: Path) -> None:
    pad = pad_at(reading_store(tmp_path, count=2))
    mark_all(pad)
    pad.finish()
    assert (pad.number, pad.of, pad.finished) == (2, 2, False)
    assert pad.marks().empty
    pad.finish(remark="blurred")
    assert (pad.number, pad.radiograph) == (0, None)
    assert pad.pause == "Every film of this worklist is read."
    pad.previous()
    assert (pad.number, pad.finished) == (2, True)
    pad.previous()
    assert len(pad.marks()) == 6
    pad.take_back(int(pad.marks()["mark"].iloc[0]))
    pad.next()
    pad.next()
    assert pad.number == 0


def test_greys_of_the_screen() -> None:
    pixels = np.array([[-5, 0], [5, np.nan]], dtype=np.float32)
    greys = screen_greys(Radiograph(np.kron(pixels, np.ones((8, 8), np.float32)), None, "none"))
    values = np.frombuffer(greys.pixels, dtype="<u2").reshape(greys.rows, greys.columns)[::8, ::8]
    assert values.tolist() == [[0, round(WHITEST / 2)], [WHITEST, 0]]


# By reference --------------------------------------------------------------------------------------


def test_no_two_values_of_a_real_film_fall_together() -> None:
    # Computed radiography of pydicom-data 1.1, RG1_UNCR.dcm: 15 bits stored of 16.
    data = pytest.importorskip("pydicom.data")
    film = read_radiograph(data.get_testdata_file("RG1_UNCR.dcm"))
    greys = np.frombuffer(screen_greys(film).pixels, dtype="<u2").reshape(film.pixels.shape)
    assert len(np.unique(greys)) == len(np.unique(film.pixels))
    some = film.pixels[::7, ::7].ravel()
    order = np.argsort(some, kind="stable")
    assert (np.diff(greys[::7, ::7].ravel()[order].astype(int)) >= 0).all()


def test_films_of_a_study_come_with_the_hash_of_their_bytes(tmp_path: Path) -> None:
    data = pytest.importorskip("pydicom.data")
    source = Path(data.get_testdata_file("RG1_UNCR.dcm"))
    shutil.copy(source, tmp_path / "SECRET_PATH.dcm")
    images = pd.DataFrame({"image_id": ["I1", "I2"], "path": ["SECRET_PATH.dcm", "not_there.dcm"]})
    film_of_study = study_films(SimpleNamespace(folder=tmp_path, images=images))  # type: ignore[arg-type]
    film = film_of_study("I1")
    assert film.sha256 == hashlib.sha256(source.read_bytes()).hexdigest()
    assert "SECRET" not in film.radiograph.name
    for image_id, match in (("I2", "no file for this item"), ("I3", "whose image is not in the study")):
        with pytest.raises(StudyError, match=match) as caught:
            film_of_study(image_id)
        assert "not_there" not in str(caught.value)


# By law --------------------------------------------------------------------------------------------

ACTS = st.lists(
    st.sampled_from(["add", "move", "take back", "grade", "take back grade", "undo", "redo"]), max_size=14
)


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(acts=ACTS, places=st.randoms(use_true_random=False))
def test_another_sitting_finds_what_this_one_left(
    tmp_path_factory: pytest.TempPathFactory, acts: list[str], places: Any
) -> None:
    store = reading_store(tmp_path_factory.mktemp("store"))
    pad = pad_at(store)
    states = [said(pad)]
    for act in acts:
        place = {"x_px": places.randint(0, COLUMNS - 1), "y_px": places.randint(0, ROWS - 1)}
        marks = pad.marks()["mark"].tolist()
        try:
            if act == "add":
                pad.add_mark("head_edge", side="left", **place)
            elif act in ("move", "take back"):
                mark = marks[0] if marks else 0
                pad.move_mark(mark, **place) if act == "move" else pad.take_back(mark)
            elif act == "grade":
                pad.grade(**ZONE, state=places.choice(["none", "complete"]))
            elif act == "take back grade":
                pad.take_back_grade(**ZONE)
            else:
                getattr(pad, act)()
        except StudyError:
            assert said(pad) == states[-1]
        states.append(said(pad))
        again = pad_at(store)  # as after a crash
        assert said(again) == said(pad)
        assert (again.sheet.can_undo, again.sheet.can_redo) == (pad.sheet.can_undo, pad.sheet.can_redo)
    while pad.sheet.can_undo:
        pad.undo()
    assert said(pad) == ([], [])
    store.check()
    store.close()


# By recovery ---------------------------------------------------------------------------------------


@pytest.fixture
def quick_folder(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: what is tested is not the disk."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=memory) as folder:
        yield Path(folder)


def resident_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


@pytest.mark.skipif(
    not Path("/proc/self/statm").exists(), reason="the memory of a process is read from /proc"
)
def test_two_hundred_films_in_the_room_of_a_few(quick_folder: Path) -> None:
    store = reading_store(quick_folder, count=200)
    film_bytes = 4_000_000

    def film(image_id: str) -> ShownFilm:
        return ShownFilm(Radiograph(np.ones((1000, 1000), dtype=np.float32), None, "none"), sha256(image_id))

    pad = pad_at(store, film_of=film)
    most = early = 0
    for number in range(1, 201):
        assert pad.number == number
        pad.finish(remark="nothing to see")
        most = max(most, resident_bytes())
        early = most if number == 20 else early
    assert most - early < 5 * film_bytes  # all of them would be 180 films more
    assert store.progress()["n_finished"].tolist() == [200]


def test_zones_follow_the_marks() -> None:
    # A head of radius 20 mm about (50, 60) mm; the rim 25 mm to each side, level.
    film = film_of(image_ids(1)[0]).radiograph
    turn = np.radians([0, 60, 120, 200, 300])
    edge = np.column_stack([100 + 40 * np.cos(turn), 120 + 40 * np.sin(turn)])
    rows = [("head_edge", "left", *place) for place in edge]
    rows += [("cup_rim", "left", 50.0, 120.0), ("cup_rim", "left", 150.0, 120.0)]
    marks = pd.DataFrame(rows, columns=["landmark", "side", "x_px", "y_px"])
    zones = marked_zones(film, marks)
    assert sorted(zones["zone"].unique()) == ["1", "2", "3"]
    assert zones["side"].unique().tolist() == ["left"]
    middle = zones.groupby("zone")[["x_px", "y_px"]].mean()
    # The patient's left is at the right of the image: lateral is zone 1, the dome lies above.
    assert middle["x_px"].rank().astype(int).tolist() == [3, 2, 1]
    assert middle.loc["2", "y_px"] < 100
    reach = np.hypot(zones["x_px"] - 100, zones["y_px"] - 120).max()
    assert reach == pytest.approx((25 + 10) / 0.5, abs=0.5)
    assert marked_zones(film, marks.iloc[:4]).empty


# By failure ----------------------------------------------------------------------------------------

BAD = [
    (lambda pad: pad.add_mark("nose", side="left", x_px=1, y_px=1), "found 'nose'"),
    (lambda pad: pad.add_mark("teardrop", side="middle", x_px=1, y_px=1), "found 'middle'"),
    (lambda pad: pad.add_mark("teardrop", side="left", x_px=COLUMNS, y_px=1), f"a film of {COLUMNS} columns"),
    (lambda pad: pad.add_mark("teardrop", side="left", x_px=float("nan"), y_px=1), "found nan, 1"),
    (lambda pad: pad.move_mark(77, x_px=1, y_px=1), "the number of a mark that stands"),
    (lambda pad: pad.take_back(77), "the number of a mark that stands"),
    (lambda pad: pad.grade(**ZONE, state="perhaps"), "found 'perhaps'"),
    (lambda pad: pad.grade(**ZONE, state="none", width_mm=1.0), "a width only where there is a line"),
    (lambda pad: pad.grade(**{**ZONE, "zone": "9"}, state="none"), "cup_3 zone 9"),
    (lambda pad: pad.take_back_grade(**ZONE), "a zone that is graded"),
    (lambda pad: pad.undo(), "nothing to undo"),
    (lambda pad: pad.redo(), "nothing to redo"),
    (lambda pad: pad.choose(99), "a number from 0 to 3"),
    (lambda pad: pad.finish(), "still to do: right teardrop, 2 of right head edge"),
    (lambda pad: pad.finish(remark="=1+1"), "does not begin with ="),
    (lambda pad: pad.next(), "Finish this one first"),
    (lambda pad: pad.previous(), "no film 0"),
]


@pytest.fixture(scope="module")
def untouched(tmp_path_factory: pytest.TempPathFactory) -> MarkingPad:
    return pad_at(reading_store(tmp_path_factory.mktemp("untouched")))


@pytest.mark.parametrize(("act", "match"), BAD)
def test_what_cannot_be_is_refused_and_leaves_nothing(untouched: MarkingPad, act: Any, match: str) -> None:
    with pytest.raises(StudyError, match=re.escape(match)):
        act(untouched)
    assert said(untouched) == ([], [])
    assert (untouched.number, untouched.views) == (1, 1)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"plan": {"nose": 1}}, "found nose|found 'nose'"),
        ({"plan": {"teardrop": 0}}, "a whole number from 1 to 99"),
        ({"zone_systems": ["cup_9"]}, "cup_9"),
        ({"zone_systems": "cup_3"}, "a list of zone systems"),
        ({"reader_id": "nobody"}, "a reader with a worklist"),
    ],
)
def test_a_pad_that_cannot_be(tmp_path: Path, options: dict[str, Any], match: str) -> None:
    with pytest.raises(StudyError, match=match):
        pad_at(reading_store(tmp_path), **options)


def test_nothing_that_identifies_reaches_the_browser(tmp_path: Path) -> None:
    store = reading_store(tmp_path)

    def broken(image_id: str) -> ShownFilm:
        raise OSError(f"SECRET_PATH/{image_id}")

    pad = pad_at(store, zone_systems=["cup_3"])
    mark_all(pad)
    sent: list[Any] = []
    pad.send = lambda content, buffers=None: sent.append((content, buffers))  # type: ignore[method-assign]
    pad._hear(pad, {"want": "pixels"}, [])
    pad._film_of = broken
    pad._hear(pad, {"action": "finish", "given": {"remark": ""}, "number": 1}, [])
    assert "cannot be opened" in pad.scene["notice"]
    assert isinstance(pad.fault, OSError)
    (content, buffers) = sent[0]
    assert set(content) == {"film", "columns", "rows", "darkest", "lightest"}
    assert len(buffers[0]) == 2 * ROWS * COLUMNS
    told = json.dumps([content, pad.get_state()["scene"], repr(pad)])
    assert not [word for word in (*HIDDEN, sha256(image_ids(1)[0])[:8], str(tmp_path)) if word in told]
    items = store.worklist("SECRET_READER")["item_id"]
    assert not [item for item in items if item in told]
    pad._film_of = film_of  # put back: Next tries again, and nothing was lost
    pad._hear(pad, {"action": "finish", "given": {"remark": ""}, "number": 2}, [])
    assert (pad.number, pad.scene["notice"]) == (2, "")


def test_a_hidden_repeat_shows_nothing_of_the_first_reading(tmp_path: Path) -> None:
    store = reading_store(tmp_path, count=4, repeat_share=0.25)
    pad = pad_at(store)
    seen = 0
    while pad.number:
        assert pad.marks().empty
        first_of_session = pad.number in (1, 4)
        if first_of_session:
            with pytest.raises(StudyError, match=r"no film 0|an earlier session stay closed"):
                pad.previous()
        mark_all(pad)
        pad.finish()
        seen += 1
    assert seen == 5
    assert sorted(store.marks()["repeat"].unique()) == [1, 2]


@pytest.mark.parametrize(
    "message",
    [
        {"action": "close", "given": {}},
        {"action": "add_mark", "given": {"landmark": "teardrop", "side": "left"}},
        {"action": "add_mark", "given": {"landmark": "teardrop", "side": "left", "x_px": "a", "y_px": None}},
        {"action": "undo", "given": {"self": 1}},
        {"action": ["undo"], "given": {}},
        {"action": "grade", "given": "everything"},
        {},
    ],
)
def test_messages_that_are_not_the_pads(untouched: MarkingPad, message: dict[str, Any]) -> None:
    heard = untouched.scene["heard"]
    untouched._hear(untouched, {**message, "number": heard + 1}, [])
    assert untouched.scene["notice"].startswith("Not done")
    assert untouched.scene["heard"] == heard + 1
    assert said(untouched) == ([], [])


def test_every_action_of_the_hand_is_a_method() -> None:
    assert all(callable(getattr(MarkingPad, name)) for name in ACTIONS)


@pytest.mark.parametrize(
    ("table", "match"),
    [
        (pd.DataFrame({"side": ["left"]}), "zone_system, zone, x_px, y_px: found no such column"),
        (
            pd.DataFrame({**{k: [v] for k, v in ZONE.items()}, "x_px": [float("inf")], "y_px": [1]}),
            "a number of pixels",
        ),
        (
            pd.DataFrame({**{k: [v] for k, v in ZONE.items()}, "side": ["up"], "x_px": [1], "y_px": [1]}),
            "found up|'up'",
        ),
    ],
)
def test_outlines_that_are_none(table: pd.DataFrame, match: str) -> None:
    film = film_of(image_ids(1)[0]).radiograph
    marks = pd.DataFrame(columns=["landmark", "side", "x_px", "y_px"])
    with pytest.raises(StudyError, match=match):
        zone_outlines(lambda _film, _marks: table, film, marks)


def test_the_figure_shows_the_same_film(tmp_path: Path) -> None:
    pad = pad_at(reading_store(tmp_path), zone_systems=["cup_3"], zones_of=marked_zones)
    pad.add_mark("teardrop", side="left", x_px=50, y_px=60)
    figure = pad.figure()
    assert "Film 1 of 3" in " ".join(
        text.get_text() for text in figure.findobj(lambda one: hasattr(one, "get_text"))
    )
    assert PLAN["teardrop"] == 1
