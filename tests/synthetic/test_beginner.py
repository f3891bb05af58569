"""The invented beginner who stands in at the marking pad."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from cohortlib.errors import StudyError
from cohortlib.synthetic import beginner
from cohortlib.synthetic.beginner import beginner_grades, beginner_marks
from cohortlib.tables import ZONE_STATES


def film_points():
    """Two teardrops, and about (500, 400) a head and a rim of which the upper half is seen."""
    angle = 2 * np.pi * np.arange(48) / 48
    rows = [("teardrop", "left", 700.0, 450.0, True), ("teardrop", "right", 300.0, 450.0, True)]
    for landmark, across, down in (("head_edge", 80, 80), ("cup_rim", 95, 25)):
        rows += [
            (landmark, "left", 500 + across * np.cos(one), 400 + down * np.sin(one), one <= np.pi + 1e-9)
            for one in angle
        ]
    return pd.DataFrame(rows, columns=["landmark", "side", "x_px", "y_px", "visible"])


def zones(width_mm, extent_percent, count):
    return pd.DataFrame(
        {
            "side": "left",
            "zone_system": "cup_3",
            "zone": "1",
            "width_mm": float(width_mm),
            "extent_percent": float(extent_percent),
        },
        index=range(count),
    )


# By hand -------------------------------------------------------------------------------------------


def test_marks_are_those_that_the_pad_asks_for():
    marks = beginner_marks(film_points(), spacing_mm=0.3, stream=np.random.default_rng(1))
    found = marks.groupby(["landmark", "side"]).size().to_dict()
    assert found == {
        ("teardrop", "left"): 1,
        ("teardrop", "right"): 1,
        ("head_edge", "left"): 6,
        ("cup_rim", "left"): 6,
    }


def test_a_wide_line_of_the_whole_zone_is_seen_and_a_hair_is_not():
    wide = beginner_grades(zones(3, 100, 400), stream=np.random.default_rng(2))
    assert wide["state"].isin(["complete", "incomplete"]).mean() > 0.95
    hair = beginner_grades(zones(0.1, 10, 400), stream=np.random.default_rng(3))
    assert hair["state"].eq("none").mean() > 0.9


# By reference: distributions of SciPy ------------------------------------------------------------------


def test_clicks_scatter_as_a_normal_distribution():
    points = film_points()
    points = points[points["landmark"] == "teardrop"]
    down_mm = np.concatenate(
        [
            0.3 * (beginner_marks(points, spacing_mm=0.3, stream=np.random.default_rng(seed))["y_px"] - 450)
            for seed in range(400)
        ]
    )
    assert stats.kstest(down_mm, stats.norm(0, beginner.CLICK_SD_MM).cdf).pvalue > 0.001


@pytest.mark.parametrize("width_mm", [0.5, 0.8, 1.1])
def test_a_line_is_seen_as_a_logistic_curve_says(width_mm):
    said = beginner_grades(zones(width_mm, 100, 2000), stream=np.random.default_rng(6))["state"]
    assessed = said[said != "not assessable"]
    expected = stats.logistic(loc=0.8, scale=1 / 6).cdf(width_mm)
    found = stats.binomtest(int(assessed.ne("none").sum()), len(assessed), expected)
    assert found.pvalue > 0.001


# By law --------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_same_stream_gives_the_same_reading(seed):
    one, other = (
        beginner_marks(film_points(), spacing_mm=0.3, stream=np.random.default_rng(seed)) for _ in "ab"
    )
    pd.testing.assert_frame_equal(one, other)
    assert (one[["x_px", "y_px"]] * 10 % 1).apply(lambda part: np.minimum(part, 1 - part)).max().max() < 1e-6


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0, 3), st.floats(0, 100))
def test_a_width_stands_where_a_line_was_seen_and_nowhere_else(seed, width_mm, extent_percent):
    said = beginner_grades(zones(width_mm, extent_percent, 20), stream=np.random.default_rng(seed))
    assert set(said["state"]) <= set(ZONE_STATES)
    line = said["state"].isin(["complete", "incomplete"])
    assert said["width_mm"].notna().eq(line).all()
    assert (said["width_mm"].dropna() >= 0.1).all()


# By recovery: what was put in comes out ---------------------------------------------------------------


def test_hand_and_habit_come_out():
    spacing_mm, points = 0.3, film_points()
    true = points[points["landmark"] == "teardrop"].set_index("side")
    x_mm, y_mm, outward_mm = [], [], []
    for seed in range(300):
        marks = beginner_marks(points, spacing_mm=spacing_mm, stream=np.random.default_rng(seed))
        drops = marks[marks["landmark"] == "teardrop"].set_index("side")
        x_mm += [
            sign * spacing_mm * (drops.loc[side, "x_px"] - true.loc[side, "x_px"])
            for side, sign in (("left", 1), ("right", -1))
        ]
        y_mm += list(spacing_mm * (drops["y_px"] - true["y_px"]))
        head = marks[marks["landmark"] == "head_edge"]
        outward_mm += list(spacing_mm * (np.hypot(head["x_px"] - 500, head["y_px"] - 400) - 80))
    # 600 and 1800 clicks: four standard errors of a mean, and of a standard deviation.
    assert np.mean(x_mm) == pytest.approx(beginner.TEARDROP_LATERAL_MM, abs=4 * 2 / np.sqrt(600))
    assert np.mean(y_mm) == pytest.approx(0, abs=4 * 2 / np.sqrt(600))
    assert np.std(y_mm) == pytest.approx(beginner.CLICK_SD_MM, abs=4 * 2 / np.sqrt(1200))
    # Across a circle of 24 mm a click of 2 mm to the side lies 0.08 mm further out.
    assert np.mean(outward_mm) == pytest.approx(beginner.OUTWARD_MM + 0.08, abs=4 * 2 / np.sqrt(1800))


def test_false_lines_and_what_cannot_be_assessed_come_out():
    said = beginner_grades(zones(0, 0, 5000), stream=np.random.default_rng(4))["state"]
    assert said.eq("not assessable").mean() == pytest.approx(beginner.EYE.not_assessable, abs=0.008)
    assert said.isin(["incomplete", "complete"]).mean() == pytest.approx(beginner.EYE.false_line, abs=0.01)


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("spacing_mm", [0.0, -0.3, float("nan"), float("inf")])
def test_a_spacing_that_is_no_length(spacing_mm):
    with pytest.raises(StudyError, match="a length above 0 mm"):
        beginner_marks(film_points(), spacing_mm=spacing_mm, stream=np.random.default_rng(5))
