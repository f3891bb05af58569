"""What clicks say by themselves: distance of the teardrops, steepness of the marked rim."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.measure.clicks_alone import clicks_alone

FILM = Radiograph(np.zeros((1000, 1200), dtype=np.float32), (0.25, 0.25), "detector")


def rows(*marks):
    return pd.DataFrame(marks, columns=["landmark", "side", "x_px", "y_px"])


def reading(inclination_deg, *, turned_deg=0.0):
    """Teardrops 400 px apart and a rim of 200 px on each side, the whole film turned."""
    slope = np.radians(inclination_deg)
    across, up = 100 * np.cos(slope), 100 * np.sin(slope)
    level = [
        ("teardrop", "right", -200, 0),
        ("teardrop", "left", 200, 0),
        # The lateral end of the opening stands higher; the patient's left is at the right.
        *[("cup_rim", "left", 300 + end * across, end * up) for end in (-1, 1, 0)],
        *[("cup_rim", "right", -300 - end * across, end * up) for end in (-1, 1, 0)],
    ]
    c, s = np.cos(np.radians(turned_deg)), np.sin(np.radians(turned_deg))
    return rows(*[(name, side, 600 + c * x - s * up, 500 - (s * x + c * up)) for name, side, x, up in level])


# By hand -------------------------------------------------------------------------------------------


def test_a_film_whose_answer_is_seen():
    found = clicks_alone(reading(45), FILM)
    assert found[["side", "quantity", "unit"]].to_numpy().tolist() == [
        ["both", "teardrop distance", "mm"],
        ["right", "inclination by clicks", "deg"],
        ["left", "inclination by clicks", "deg"],
    ]
    assert found["value"].tolist() == pytest.approx([100, 45, 45])


def test_a_side_without_a_rim_and_a_film_without_a_teardrop():
    marks = reading(45)
    one_sided = marks[(marks["landmark"] == "teardrop") | (marks["side"] == "left")]
    assert clicks_alone(one_sided, FILM)["side"].tolist() == ["both", "left"]
    lacking = clicks_alone(marks[1:], FILM)
    assert lacking["value"].isna().all()
    assert set(lacking["note"]) == {"right teardrop marked 0 times, not once"}


# By law --------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.floats(5, 85), st.floats(-20, 20))
def test_how_the_film_lies_does_not_count(inclination_deg, turned_deg):
    found = clicks_alone(reading(inclination_deg, turned_deg=turned_deg), FILM)
    assert found["value"].tolist() == pytest.approx([100, inclination_deg, inclination_deg])


# By failure ----------------------------------------------------------------------------------------


def test_a_teardrop_marked_twice_gives_no_value_and_says_so():
    marks = reading(45)
    found = clicks_alone(pd.concat([marks, marks[1:2]]), FILM)
    assert found["value"].isna().all()
    assert found["note"].str.contains("left teardrop marked 2 times").all()


def test_a_rim_with_one_end_gives_no_value_and_says_so():
    marks = reading(45)
    found = clicks_alone(marks[(marks["landmark"] == "teardrop") | (marks.index == 2)], FILM)
    assert found["value"].isna().tolist() == [False, True]
    assert found["note"].tolist()[1].startswith("one mark of the rim")


def test_a_film_without_spacing():
    with pytest.raises(StudyError, match="spacing"):
        clicks_alone(reading(45), Radiograph(FILM.pixels, None, "unknown"))
