"""Scales that readers grade by: ranks, points, and what is missing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marked_study import marked_study

from cohortlib.errors import StudyError
from cohortlib.measure.grades import STEM_BANDS, graded_scores, stem_band
from cohortlib.quantities import QUANTITIES
from cohortlib.study import read_study
from cohortlib.tables import GRADING_SCALES
from cohortlib.tables.grading_scales import NOT_ASSESSABLE, grades_of

BEST = {
    (scale, part): max(points, key=points.__getitem__)
    for scale in ("stem_fixation", "stem_stability")
    for part, points in GRADING_SCALES[scale].parts.items()
}
WORST = {
    (scale, part): min(GRADING_SCALES[scale].parts[part].items(), key=lambda p: p[1])[0]
    for scale, part in BEST
}


def graded(grades, **other):
    rows = [
        {"image_id": "I1", "reader_id": "R1", "repeat": 1, "side": "left", "scale": scale, "part": part,
         "grade": grade, "marked_at": pd.Timestamp("2031-01-01"), **other}
        for (scale, part), grade in grades.items()
    ]  # fmt: skip
    study = marked_study()
    return replace(study, tables={**study.tables, "grades": pd.DataFrame(rows)})


def scores(grades):
    return graded_scores(graded(grades)).set_index("quantity")


# by hand


def test_a_grade_is_its_rank():
    found = scores({("ossification", "whole"): "2", ("cup_demarcation", "whole"): "0"})
    assert found["value"].to_dict() == {"ossification": 2.0, "cup_demarcation": 0.0}
    assert found.loc["ossification", ["hip_id", "visit_id", "unit"]].tolist() == ["H1", "v", "1"]


# by reference: from memory, Engh 1990: at most 27 points; bands at 10, 0 and -10


def test_the_greatest_score():
    found = scores(BEST)["value"]
    assert found.to_dict() == {"stem_fixation_score": 10.0, "stem_stability_score": 17.0, "stem_score": 27.0}
    worst = scores(WORST)["value"]
    assert worst.to_dict() == {
        "stem_fixation_score": -7.5,
        "stem_stability_score": -25.0,
        "stem_score": -32.5,
    }


@pytest.mark.parametrize(
    ("score", "band"), [(27, 3), (10.5, 3), (10, 2), (0, 2), (-0.5, 1), (-10, 1), (-10.5, 0)]
)
def test_bands(score, band):
    assert stem_band(score) == STEM_BANDS[band]
    assert stem_band(float("nan")) == ""


def test_gap_of_the_second_and_third_grade():
    # Brooker 1973, from memory: at least 1 cm, and less.
    words = GRADING_SCALES["ossification"].words
    assert "at least 10 mm" in words["2"]
    assert "less than 10 mm" in words["3"]


# by law


@given(st.lists(st.sampled_from([0, 1, 2]), min_size=8, max_size=8))
@settings(max_examples=40, deadline=None)
def test_a_score_is_the_sum_of_its_parts(choices):
    grades, total = {}, 0.0
    for (scale, part), choice in zip(BEST, choices, strict=True):
        grade, points = list(GRADING_SCALES[scale].parts[part].items())[choice]
        grades[scale, part], total = grade, total + points
    found = scores(grades)
    assert found.loc["stem_score", "value"] == pytest.approx(total)
    assert found.loc["stem_score", "note"] == ""


def test_every_scale_has_a_quantity_and_every_part_grades():
    found = graded_scores(graded({**BEST, ("ossification", "whole"): "1", ("cup_demarcation", "whole"): "1"}))
    assert set(found["quantity"]) <= set(QUANTITIES)
    for name, scale in GRADING_SCALES.items():
        for part in scale.parts:
            assert grades_of(name, part)[-1] == NOT_ASSESSABLE
        assert scale.source


# by recovery


def test_grades_come_back_from_a_folder(small_study: Path):
    text = "image_id,reader_id,repeat,side,scale,part,grade,marked_at\n"
    text += "I01,R1,1,left,ossification,whole,3,2031-02-01T09:00:00Z\n"
    (small_study / "tables" / "grades.csv").write_text(text)
    found = graded_scores(read_study(small_study)).iloc[0]
    assert (found["hip_id"], found["quantity"], found["value"]) == ("H01", "ossification", 3.0)


# by failure


def test_a_part_not_assessable_leaves_no_score():
    found = scores({**BEST, ("stem_stability", "calcar"): NOT_ASSESSABLE})
    assert np.isnan(found.loc["stem_stability_score", "value"])
    assert np.isnan(found.loc["stem_score", "value"])
    assert found.loc["stem_score", "note"] == "not graded or not assessable: calcar"
    assert found.loc["stem_fixation_score", "value"] == 10
    assert scores({("ossification", "whole"): NOT_ASSESSABLE}).loc["ossification", "note"] == NOT_ASSESSABLE


@pytest.mark.parametrize(
    ("grades", "other", "match"),
    [
        ({("ossification", "whole"): "5"}, {}, "grade: found '5'. Expected 0, 1, 2, 3, 4, not assessable"),
        ({("ossification", "left half"): "1"}, {}, "found ossification, left half"),
        ({("ossification", "whole"): "1"}, {"side": "right"}, "found I1, right"),
    ],
)
def test_wrong_grades_are_refused(grades, other, match):
    with pytest.raises(StudyError, match=match):
        graded_scores(graded(grades, **other))


@pytest.mark.parametrize(
    ("row", "match"),
    [
        ("I01,R1,1,left,ossification,whole,5", "grade: found '5'. Expected a grade of ossification, whole"),
        ("I01,R1,1,left,ossification,part,1", "part: found 'part'. Expected a part of ossification"),
        ("I01,R1,1,right,ossification,whole,1", "nothing is graded"),
        ("I01,R1,1,left,boneless,whole,1", "scale: found 'boneless'"),
    ],
)
def test_a_folder_with_wrong_grades_is_refused(small_study, row, match):
    text = f"image_id,reader_id,repeat,side,scale,part,grade,marked_at\n{row},2031-02-01T09:00:00Z\n"
    (small_study / "tables" / "grades.csv").write_text(text)
    with pytest.raises(StudyError, match=match):
        read_study(small_study)
