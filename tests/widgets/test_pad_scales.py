"""Grades on scales in the marking pad, without a screen: asked for, stored, undone, found again, refused."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pad_sittings import HIDDEN, mark_all, pad_at, reading_store

from cohortlib.errors import StudyError
from cohortlib.readings import open_readings
from cohortlib.tables.grading_scales import GRADING_SCALES, NOT_ASSESSABLE, grades_of
from cohortlib.widgets.pad import MarkingPad
from cohortlib.widgets.pad.plan import plan_steps

TASK = "marks, gradings and grades"
SCALES = ["ossification", "stem_fixation"]
BRIDGES = {"scale": "stem_fixation", "part": "bridges of bone"}


def sitting(folder: Path, *, task: str = TASK, sides: str = "both", **other: Any) -> MarkingPad:
    store = reading_store(folder, count=2, sides=sides, task=task)
    return pad_at(store, **({"zone_systems": ["neck_1"], "scales": SCALES} | other))


def said(pad: MarkingPad) -> tuple[list[Any], ...]:
    tables = (pad.marks(), pad.grades().fillna(-1.0), pad.scale_grades())
    return tuple(table.to_numpy().tolist() for table in tables)


# By hand -------------------------------------------------------------------------------------------


def test_scales_come_after_the_zones_of_their_side(tmp_path: Path) -> None:
    pad = sitting(tmp_path, plan={"teardrop": 1})
    side = [
        "teardrop",
        "neck 1",
        "hip: bone beside the hip joint",
        "hip: lines at the porous part",
        "hip: bridges of bone",
    ]
    assert [step.words for step in pad.steps] == [f"{s} {w}" for s in ("right", "left") for w in side]
    mark_all(pad)
    assert pad.missing() == []
    pad.finish()
    assert pad.number == 2
    graded = pad_at(pad._store, zone_systems=["neck_1"], scales=SCALES)
    assert graded.scale_grades().empty


def test_a_grade_is_in_the_store_when_it_returns(tmp_path: Path) -> None:
    pad = sitting(tmp_path)
    pad.grade_scale("ossification", side="left", grade="2")
    pad.grade_scale(**BRIDGES, side="left", grade="absent")
    with open_readings(tmp_path, write=False) as other:  # as another program finds it
        stored = other.grades()
    assert stored[["side", "scale", "part", "grade"]].to_numpy().tolist() == [
        ["left", "ossification", "whole", "2"],
        ["left", "stem_fixation", "bridges of bone", "absent"],
    ]
    assert (stored["duration_s"] >= 0).all()
    assert stored["item_id"].nunique() == 1
    assert pad.scale_grades().to_numpy().tolist() == stored[list(pad.scale_grades())].to_numpy().tolist()
    assert pad.grades().empty


def test_undo_redo_and_taking_back_are_rows(tmp_path: Path) -> None:
    pad = sitting(tmp_path)
    pad.grade_scale("ossification", side="left", grade="2")
    pad.grade_scale("ossification", side="left", grade="4")
    pad.undo()
    assert pad.scale_grades()["grade"].tolist() == ["2"]
    pad.redo()
    pad.take_back_scale("ossification", side="left")
    assert pad.scale_grades().empty
    history = pad._store.grade_history()
    assert history["grade"].fillna("").tolist() == ["2", "4", "2", "4", ""]
    assert history["reason"].tolist() == ["", "graded again", "undo", "redo", "taken back"]
    assert history["supersedes"].fillna(0).tolist() == [0, 1, 2, 3, 4]


def test_a_film_is_not_finished_before_it_is_graded(tmp_path: Path) -> None:
    pad = sitting(tmp_path, task="grades", sides="left")
    assert [type(step).__name__ for step in pad.steps] == [
        "ScaleStep"
    ] * 3  # no marks: they are not asked for
    pad.grade_scale("ossification", side="left", grade="0")
    with pytest.raises(
        StudyError, match="still to do: left hip: lines at the porous part, left hip: bridges"
    ):
        pad.finish()
    assert pad.number == 1
    mark_all(pad)
    pad.finish()
    assert pad.number == 2
    pad.finish(remark="no radiograph of a hip")
    assert pad.pause == "Every film of this worklist is read."
    pad.previous()
    pad.previous()
    assert pad.finished
    pad.grade_scale("ossification", side="left", grade="1")  # corrected, as a mark can be
    assert pad._store.grades()["grade"].tolist().count("1") == 1


def test_an_item_that_asks_for_no_grades_is_read_as_before(tmp_path: Path) -> None:
    pad = sitting(tmp_path, task="marks and gradings")
    assert "ScaleStep" not in {type(step).__name__ for step in pad.steps}
    with pytest.raises(StudyError, match="grades of an item that asks for marks and gradings"):
        pad.grade_scale("ossification", side="left", grade="0")
    mark_all(pad)
    pad.finish()
    assert pad.number == 2


def test_what_the_browser_is_told(tmp_path: Path) -> None:
    pad = sitting(tmp_path, task="grades", sides="left")
    pad._hear(
        pad,
        {"action": "grade_scale", "given": {**BRIDGES, "side": "left", "grade": "present"}, "number": 1},
        [],
    )
    assert (pad.scene["notice"], pad.scene["heard"]) == ("", 1)
    steps = pad.scene["steps"]
    assert [step["kind"] for step in steps] == ["scale"] * 3
    assert [step["grade"] for step in steps] == [None, None, "present"]
    assert steps[0]["grades"][1] == {"grade": "1", "words": "islands of bone in the soft tissue"}
    assert [one["grade"] for one in steps[2]["grades"]] == ["absent", "uncertain", "present", NOT_ASSESSABLE]
    assert not [word for word in HIDDEN if word in json.dumps(pad.get_state()["scene"])]
    pad._hear(pad, {"action": "take_back_scale", "given": {**BRIDGES, "side": "left"}, "number": 2}, [])
    assert pad.scale_grades().empty
    pad._hear(pad, {"action": "grade_scale", "given": {**BRIDGES, "side": "left"}, "number": 3}, [])
    assert pad.scene["notice"].startswith("Not done: the pad left something out")


def test_the_figure_is_the_same_with_and_without_grades(tmp_path: Path) -> None:
    pad = sitting(tmp_path)
    before = len(pad.figure().findobj())
    pad.grade_scale("ossification", side="left", grade="3")
    assert len(pad.figure().findobj()) == before


# By law --------------------------------------------------------------------------------------------


def test_no_part_has_more_grades_than_there_are_keys() -> None:
    keys = re.search(r'GRADE_KEYS = \[\.\.\."(\w+)"\]', MarkingPad._esm)
    assert keys is not None
    most = max(len(grades_of(name, part)) for name, scale in GRADING_SCALES.items() for part in scale.parts)
    assert most <= len(keys[1])
    words = [step.words for step in plan_steps({}, [], list(GRADING_SCALES), sides="both")]
    assert len(set(words)) == len(words)  # each part is called by its own name


ACTS = st.lists(
    st.sampled_from(["mark", "zone", "scale", "part", "take back", "undo", "redo"]), min_size=4, max_size=14
)


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(acts=ACTS, choice=st.randoms(use_true_random=False))
def test_another_sitting_finds_what_this_one_left(
    tmp_path_factory: pytest.TempPathFactory, acts: list[str], choice: Any
) -> None:
    pad = sitting(tmp_path_factory.mktemp("store"))
    zone = {"side": "left", "zone_system": "neck_1", "zone": "1"}
    for act in acts:
        before = said(pad)
        try:
            if act == "mark":
                pad.add_mark("teardrop", side="left", x_px=1.0, y_px=2.0)
            elif act == "zone":
                pad.grade(**zone, state=choice.choice(["none", "complete"]))
            elif act == "scale":
                pad.grade_scale("ossification", side="left", grade=choice.choice("01234"))
            elif act == "part":
                pad.grade_scale(**BRIDGES, side="right", grade=choice.choice(["absent", "present"]))
            elif act == "take back":
                pad.take_back_scale("ossification", side="left")
            else:
                getattr(pad, act)()
        except StudyError:
            assert said(pad) == before
        again = pad_at(pad._store, zone_systems=["neck_1"], scales=SCALES)  # as after a crash
        assert said(again) == said(pad)
        assert (again.sheet.can_undo, again.sheet.can_redo) == (pad.sheet.can_undo, pad.sheet.can_redo)
    while pad.sheet.can_undo:
        pad.undo()
    assert said(pad) == ([], [], [])
    pad._store.check()
    pad._store.close()


# By failure ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def untouched(tmp_path_factory: pytest.TempPathFactory) -> MarkingPad:
    return sitting(tmp_path_factory.mktemp("untouched"), sides="left")


@pytest.mark.parametrize(
    ("act", "match"),
    [
        (lambda pad: pad.grade_scale("mood", side="left", grade="0"), "scale: found 'mood'. Expected one of"),
        (lambda pad: pad.grade_scale("cup_3", side="left", grade="0"), "scale: found 'cup_3'"),
        (lambda pad: pad.grade_scale("ossification", side="left", grade="9"), "found 9 for ossification"),
        (lambda pad: pad.grade_scale("ossification", side="left", grade=2), "grade: found 2"),
        (lambda pad: pad.grade_scale("stem_fixation", side="left", grade="absent"), "stem_fixation, whole"),
        (lambda pad: pad.grade_scale("ossification", side="right", grade="0"), "a side that was not asked"),
        (lambda pad: pad.take_back_scale("ossification", side="left"), "a scale that is graded"),
        (lambda pad: pad.take_back_scale("mood", side="left"), "scale: found 'mood'"),
    ],
)
def test_what_cannot_be_is_refused_and_leaves_nothing(untouched: MarkingPad, act: Any, match: str) -> None:
    with pytest.raises(StudyError, match=match):
        act(untouched)
    assert said(untouched) == ([], [], [])


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"scales": ["mood"]}, "scales: found 'mood'. Expected one of ossification"),
        ({"scales": "ossification"}, r"a list of scales\. Write \[.ossification.\]"),
        ({"scales": ["ossification", "ossification"]}, "each one once"),
        ({"scales": []}, "no scale for an item that asks for grades"),
    ],
)
def test_a_pad_that_cannot_be(tmp_path: Path, options: dict[str, Any], match: str) -> None:
    with pytest.raises(StudyError, match=match):
        sitting(tmp_path, **options)
