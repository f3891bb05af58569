"""The marking pad without a screen: what is marked is stored, comes back, and tells the reader nothing."""

from __future__ import annotations

import datetime
import gc
import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_readings import PLAN, SECRET_ID, film, new_pad, new_store, sha256

from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.readings.store import Readings
from cohortlib.study import read_study
from cohortlib.synthetic.dx import write_dx
from cohortlib.synthetic.recipe import FilmRecipe
from cohortlib.widgets.pad import MarkingPad, ShownFilm, marked_zones, study_films
from cohortlib.widgets.pad.films import screen_greys

STATM = Path("/proc/self/statm")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Readings]:
    with new_store(tmp_path) as opened:
        yield opened


@pytest.fixture
def pad(store: Readings) -> MarkingPad:
    return new_pad(store)


def read_all(pad: MarkingPad) -> None:
    """Everything that the plan asks for on the film in view."""
    for landmark, asked in PLAN.items():
        for number in range(asked):
            pad.add_mark(landmark, side="right", x_px=10.0 + number, y_px=20.0)
    for zone in ("1", "2", "3"):
        pad.grade(side="right", zone_system="cup_3", zone=zone, state="none")


def asked_words(pad: MarkingPad) -> str | None:
    return None if pad.asked is None else pad.steps[pad.asked].words


def press(pad: MarkingPad, number: int, action: str, **given: object) -> str:
    """What the browser sends; the notice that it gets."""
    pad._hear(pad, {"action": action, "given": given, "number": number}, [])
    assert pad.scene["heard"] == number
    return str(pad.scene["notice"])


# By hand -------------------------------------------------------------------------------------------


def test_a_mark_is_in_the_store_at_once_and_the_next_is_asked_for(pad: MarkingPad, store: Readings) -> None:
    assert asked_words(pad) == "right teardrop"
    number = pad.add_mark("teardrop", side="right", x_px=12.5, y_px=30.25)
    assert asked_words(pad) == "right head edge"
    rows = store.item_history(pad.sheet.item_id, reader_id="R1")["marks"]
    assert rows[["mark_id", "landmark", "x_px", "y_px"]].to_numpy().tolist() == [
        [number, "teardrop", 12.5, 30.25]
    ]


def test_undo_and_redo_are_rows_of_their_own(pad: MarkingPad, store: Readings) -> None:
    number = pad.add_mark("teardrop", side="right", x_px=1.0, y_px=2.0)
    pad.move_mark(number, x_px=5.0, y_px=6.0)
    pad.undo()
    assert pad.marks()[["x_px", "y_px"]].to_numpy().tolist() == [[1.0, 2.0]]
    pad.undo()
    assert pad.marks().empty
    pad.redo()
    pad.redo()
    assert pad.marks()[["x_px", "y_px"]].to_numpy().tolist() == [[5.0, 6.0]]
    history = store.item_history(pad.sheet.item_id, reader_id="R1")["marks"]
    assert history["reason"].tolist() == ["", "moved", "undo", "undo", "redo", "redo"]


def test_another_pad_goes_on_where_the_first_died(pad: MarkingPad, store: Readings) -> None:
    pad.add_mark("teardrop", side="right", x_px=1.0, y_px=2.0)
    pad.grade(side="right", zone_system="cup_3", zone="2", state="incomplete", width_mm=1.5)
    pad.add_mark("head_edge", side="right", x_px=3.0, y_px=4.0)
    pad.undo()
    again = new_pad(store)
    assert again.marks().equals(pad.marks())
    assert again.grades().to_numpy().tolist() == [["right", "cup_3", "2", "incomplete", 1.5]]
    again.redo()
    assert again.marks()["landmark"].tolist() == ["teardrop", "head_edge"]


def test_films_are_finished_in_order_and_one_may_look_back(pad: MarkingPad) -> None:
    read_all(pad)
    pad.finish()
    assert (pad.number, pad.finished, len(pad.marks())) == (2, False, 0)
    pad.previous()
    assert (pad.number, pad.finished, len(pad.marks())) == (1, True, 4)
    pad.move_mark(int(pad.marks()["mark"].iloc[0]), x_px=40.0, y_px=41.0)
    pad.next()
    assert pad.number == 2
    pad.finish(remark="too dark")
    pad.finish(remark="too dark")
    assert (pad.number, pad.pause) == (0, "Every film of this worklist is read.")


def test_the_hand_in_the_browser_is_the_method(pad: MarkingPad) -> None:
    assert press(pad, 1, "add_mark", landmark="teardrop", side="right", x_px=9.0, y_px=8.0) == ""
    assert pad.marks()[["x_px", "y_px"]].to_numpy().tolist() == [[9.0, 8.0]]
    notice = press(pad, 2, "add_mark", landmark="teardrop", side="right", x_px=999.0, y_px=8.0)
    assert "a place on a film of 50 columns" in notice
    assert len(pad.marks()) == 1
    for action, values in (("_forget", {}), ("figure", {}), ("undo", {"store": 1}), ("add_mark", {})):
        assert press(pad, 3, action, **values).startswith("Not done")


def test_zones_follow_the_marks_and_the_figure_has_them(store: Readings) -> None:
    pad = new_pad(store, zones_of=marked_zones, plan={"head_edge": 3, "cup_rim": 2})
    for x, y in ((14.0, 20.0), (20.0, 26.0), (26.0, 20.0)):
        pad.add_mark("head_edge", side="right", x_px=x, y_px=y)
    assert pad.zones().empty
    pad.add_mark("cup_rim", side="right", x_px=12.0, y_px=26.0)
    pad.add_mark("cup_rim", side="right", x_px=29.0, y_px=17.0)
    assert pad.zones()["zone"].unique().tolist() == ["1", "2", "3"]
    assert [zone["zone"] for zone in pad.scene["zones"]] == ["1", "2", "3"]
    assert pad.figure().axes


def test_pixels_travel_as_sixteen_bits_in_order() -> None:
    radiograph = film("I1").radiograph
    pixels = np.array([[100.0, 200.0, np.nan], [150.0, 100.0, 300.0]], dtype=np.float32)
    greys = screen_greys(Radiograph(**{**radiograph.__dict__, "pixels": pixels}))
    assert (greys.rows, greys.columns) == (2, 3)
    found = np.frombuffer(greys.pixels, dtype="<u2").tolist()
    assert found == [0, 32768, 0, 16384, 0, 65535]  # 100 → 0, 300 → 65,535; half of it rounds to even


def test_a_film_of_a_study_is_read_anew_and_without_its_name(small_study: Path) -> None:
    path = small_study / "images" / "I01.dcm"
    path.parent.mkdir(exist_ok=True)
    recipe = FilmRecipe(1, columns=120, rows=96, spacing_mm=0.25, source_to_hips_mm=1000.0)
    pixels = np.random.default_rng(4).integers(0, 4096, (96, 120)).astype(np.uint16)
    day = datetime.date(2030, 2, 21)
    write_dx(path, pixels, recipe, patient_id="P01", image_id="I01", study_date=day, seed=1)
    film_of = study_films(read_study(small_study))
    shown = film_of("I01")
    assert shown.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert shown.radiograph.name == "this film"
    for image_id, found in (("I02", "no file for this item"), ("I99", "not in the study")):
        with pytest.raises(StudyError, match=found) as told:
            film_of(image_id)
        assert ".dcm" not in str(told.value)


# By law --------------------------------------------------------------------------------------------


def test_nothing_of_patient_or_file_reaches_the_browser(
    store: Readings, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[object] = []
    monkeypatch.setattr(MarkingPad, "send", lambda _pad, message, buffers=None: sent.append(message))
    pad = new_pad(store)
    pad._hear(pad, {"want": "pixels"}, [])
    press(pad, 1, "add_mark", landmark="elbow", side="right", x_px=1.0, y_px=1.0)
    sent += [pad.get_state(drop_defaults=False), repr(pad)]
    read_all(pad)
    pad.finish()
    sent.append(pad.scene)
    told = json.dumps(sent, default=str)
    for hidden in (SECRET_ID, ".dcm", "R1", pad.sheet.item_id, sha256(f"{SECRET_ID}-1"), "sqlite", "supine"):
        assert hidden not in told, hidden


@settings(deadline=None, max_examples=15)
@given(at=st.lists(st.sampled_from(["add", "move", "undo", "redo", "back"]), max_size=12))
def test_the_store_alone_gives_the_same_sheet(
    tmp_path_factory: pytest.TempPathFactory, at: list[str]
) -> None:
    with new_store(tmp_path_factory.mktemp("law"), count=1) as store:
        pad = new_pad(store)
        for place, action in enumerate(at):
            marks = pad.marks()["mark"].tolist()
            if action == "add":
                pad.add_mark("teardrop", side="right", x_px=place, y_px=1.0)
            elif action == "move" and marks:
                pad.move_mark(marks[-1], x_px=place, y_px=2.0)
            elif action == "back" and marks:
                pad.take_back(marks[0])
            elif action in ("undo", "redo") and getattr(pad.sheet, f"can_{action}"):
                getattr(pad, action)()
        again = new_pad(store)
        assert again.marks().equals(pad.marks())
        assert (again.sheet.can_undo, again.sheet.can_redo) == (pad.sheet.can_undo, pad.sheet.can_redo)


# By recovery ---------------------------------------------------------------------------------------


@pytest.mark.skipif(not STATM.is_file(), reason="the memory of a process is read from /proc (Linux)")
def test_memory_does_not_grow_over_a_worklist_of_200_films(tmp_path: Path) -> None:
    def film_of(image_id: str) -> ShownFilm:
        return film(image_id, rows=300, columns=250)  # 0.3 MB of pixels, 0.15 MB for the screen

    with new_store(tmp_path, count=200) as store:
        pad = new_pad(store, film_of=film_of, plan={"teardrop": 1}, zone_systems=[])
        held = {}
        while pad.number:
            pad._send_pixels()
            if pad.number in (40, 200):
                gc.collect()
                held[pad.number] = int(STATM.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
            pad.finish(remark="too dark")
    assert held[200] - held[40] < 12_000_000, "bytes; the 160 films between are 72 MB"


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("act", "sentence"),
    [
        (lambda pad: pad.add_mark("elbow", side="right", x_px=1, y_px=1), "elbow"),
        (lambda pad: pad.add_mark("teardrop", side="left", x_px=1, y_px=1), "not asked for"),
        (lambda pad: pad.add_mark("teardrop", side="right", x_px=50, y_px=1), "50 columns"),
        (lambda pad: pad.add_mark("teardrop", side="right", x_px=float("nan"), y_px=1), "a place on a film"),
        (lambda pad: pad.move_mark(99, x_px=1, y_px=1), "stands on this film"),
        (lambda pad: pad.undo(), "nothing to undo"),
        (lambda pad: pad.finish(), "still to do: right teardrop, 3 of right head edge"),
        (lambda pad: pad.next(), "not finished"),
        (lambda pad: pad.previous(), "no film 0"),
        (lambda pad: pad.choose(77), "0 to 4"),
        (lambda pad: pad.grade(side="right", zone_system="cup_3", zone="9", state="none"), "9"),
        (lambda pad: pad.grade(side="right", zone_system="cup_3", zone="1", state="perhaps"), "perhaps"),
    ],
)
def test_what_cannot_be_done_is_told_and_stores_nothing(pad: MarkingPad, store: Readings, act, sentence):  # type: ignore[no-untyped-def]
    with pytest.raises(StudyError, match=sentence):
        act(pad)
    assert not any(map(len, store.item_history(pad.sheet.item_id, reader_id="R1").values()))


def test_a_plan_of_unknown_landmarks_opens_no_film(store: Readings) -> None:
    with pytest.raises(StudyError, match=r"(?s)elbow.*cup_99"):
        new_pad(store, plan={"elbow": 1}, zone_systems=["cup_99"])


def test_a_film_that_cannot_be_opened_names_no_file(store: Readings) -> None:
    def broken(image_id: str) -> None:
        raise OSError(f"no such file: {image_id}.dcm")

    with pytest.raises(StudyError, match="cannot be opened") as told:
        new_pad(store, film_of=broken)
    assert SECRET_ID not in str(told.value)
