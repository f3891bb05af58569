"""Simulated grades of cups and short stems: what was put in, and what readers say of it."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cohortlib.synthetic import fixation_grades as fixation
from cohortlib.tables import GRADING_SCALES
from cohortlib.tables.grading_scales import grades_of

STUDY = Path(__file__).parents[2] / "synthetic_cohort"
STATES = ("none", "incomplete", "complete", "not assessable")
STEM_ZONES = (*fixation.POROUS, *fixation.SMOOTH)


def film(*, widths=None, visit="month_12", hip="H1", image="I1", systems=(fixation.CUP, fixation.STEM)):
    """True lines of one hip on one film; `widths` by (system, zone)."""
    zones = {fixation.CUP: ("1", "2", "3"), fixation.STEM: sorted(STEM_ZONES)}
    rows = [
        [image, "P1", visit, hip, "left", system, zone, (widths or {}).get((system, zone), 0.0), 50.0]
        for system in systems
        for zone in zones[system]
    ]
    columns = ["image_id", "patient_id", "visit_id", "hip_id", "side", "zone_system", "zone", "width_mm"]
    return pd.DataFrame(rows, columns=[*columns, "extent_percent"])


def sunk(mm=0.0, image="I1"):
    return pd.DataFrame({"image_id": [image], "side": ["left"], "value": [mm]})


def grades(lines, mm=0.0, seed=1):
    table = fixation.true_grades(lines, sunk(mm), seed=seed)
    return table.set_index(["scale", "part"])["grade"]


def readings(lines, state_of=None, reader="R1"):
    """A reader's zones: what is there, or `state_of` zone."""
    there = np.where(lines["width_mm"] > 0, "complete", "none")
    state = (
        there if state_of is None else [state_of.get(z, s) for z, s in zip(lines["zone"], there, strict=True)]
    )
    ids = lines[["image_id", "side", "zone_system", "zone"]]
    at = pd.Timestamp("2031-07-21T15:00:00Z")
    return ids.assign(reader_id=reader, repeat=1, state=state, marked_at=at)


# ---- by hand -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("states", "grade"),
    [
        (("none", "none", "none"), "0"),
        (("complete", "none", "none"), "1"),
        (("incomplete", "complete", "none"), "2"),
        (("complete", "complete", "complete"), "3"),
        (("none", "complete", "complete"), "0"),  # it does not begin at the lateral rim
        (("complete", "not assessable", "none"), "not assessable"),
        (("none", "none", "not assessable"), "0"),
    ],
)
def test_a_line_about_a_cup_is_graded_from_its_rim(states, grade):
    assert fixation.demarcation({(fixation.CUP, str(k + 1)): s for k, s in enumerate(states)}) == grade


def test_the_grades_of_a_stem_follow_from_its_lines_and_its_sinking():
    lined = grades(film(widths={(fixation.STEM, zone): 1.0 for zone in ("1", "4", "7")}), mm=3.0)
    assert lined[fixation.FIXATION, "lines at the porous part"] == "present"
    assert lined[fixation.FIXATION, "bridges of bone"] == "absent"
    assert lined[fixation.STABILITY, "lines at the smooth part"] == "present"
    assert lined[fixation.STABILITY, "deterioration of the interface"] == "present"
    assert lined[fixation.STABILITY, "migration"] == "present"
    sound = grades(film(visit="week_6"))
    assert sound[fixation.FIXATION, "lines at the porous part"] == "absent"
    assert sound[fixation.STABILITY, "migration"] == "absent"
    assert sound[fixation.STABILITY, "calcar"] == "uncertain"


def test_a_resurfacing_has_no_stem_to_grade():
    assert list(grades(film(systems=(fixation.CUP,))).index) == [(fixation.DEMARCATION, "whole")]


# ---- by reference: from memory, Engh 1990: points of a sound stem before anything has happened -----


def test_points_of_a_sound_stem_at_six_weeks():
    true = fixation.true_grades(film(visit="week_6"), sunk(), seed=1)
    found = fixation.true_scores(true).set_index("quantity")["value"]
    assert found.to_dict() == {
        "cup_demarcation": 0.0,
        "stem_fixation_score": 5.0 - 2.5,
        "stem_stability_score": 5.0 + 2.5 + 0.0 + 2.5 + 3.0 + 1.0,
    }


# ---- by law --------------------------------------------------------------------------------------


@given(
    st.lists(st.sampled_from(STATES), min_size=10, max_size=10),
    st.sampled_from(["R1", "R2"]),
    st.integers(0, 99),
)
def test_whatever_is_said_is_a_grade_of_its_scale(states, reader, seed):
    lines = film()
    read = readings(lines, reader=reader).assign(state=states)
    said = fixation.fixation_table(read, fixation.true_grades(lines, sunk(), seed=seed), sunk(), seed=seed)
    parts = sum(len(GRADING_SCALES[s].parts) for s in (fixation.FIXATION, fixation.STABILITY))
    assert len(said) == parts + 1
    for row in said.to_dict("records"):
        assert row["grade"] in grades_of(row["scale"], row["part"])
    assert said["marked_at"].is_monotonic_increasing


def test_earlier_rows_of_the_table_are_those_of_new_bone():
    table = pd.read_csv(STUDY / "tables" / "grades.csv", keep_default_na=False)
    first = table["scale"].eq("ossification")
    assert first.sum() == 317
    assert first.iloc[:317].all()


# ---- by recovery ---------------------------------------------------------------------------------


def test_readers_say_what_is_there_about_as_often_as_put_in():
    lines = film()
    said = []
    for k in range(600):
        true = fixation.true_grades(lines, sunk(), seed=k)
        table = fixation.fixation_table(readings(lines), true, sunk(), seed=k)
        both = table.merge(true, on=["image_id", "side", "scale", "part"], suffixes=("", "_true"))
        said.append(both.set_index("part").loc["bridges of bone", ["grade", "grade_true"]])
    both = pd.DataFrame(said)
    assert both["grade_true"].eq("present").mean() == pytest.approx(fixation.BRIDGES, abs=0.05)
    assert both["grade"].eq("uncertain").mean() == pytest.approx(fixation.UNSURE["R1"], abs=0.03)
    sure = both[both["grade"] != "uncertain"]
    assert sure["grade"].ne(sure["grade_true"]).mean() == pytest.approx(fixation.OTHER["R1"], abs=0.02)


# ---- by failure ----------------------------------------------------------------------------------


def test_a_zone_that_cannot_be_assessed_leaves_the_lines_open_unless_another_has_one():
    lines = film(systems=(fixation.STEM, fixation.CUP))
    true = fixation.true_grades(lines, sunk(), seed=1)
    hidden = readings(lines, {"2": "not assessable"})
    said = fixation.fixation_table(hidden, true, sunk(), seed=1).set_index("part")["grade"]
    assert said["lines at the porous part"] == "not assessable"
    with_line = readings(lines, {"2": "not assessable", "7": "incomplete"})
    said = fixation.fixation_table(with_line, true, sunk(), seed=1).set_index("part")["grade"]
    assert said["lines at the porous part"] == "present"
