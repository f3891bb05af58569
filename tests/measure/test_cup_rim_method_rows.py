"""Named methods for anteversion as measurement rows from marks on the rim."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.cup.rim_method_rows import anteversion_rows_by_methods
from cohortlib.measure.cup.rim_methods import METHODS
from cohortlib.quantities import QUANTITIES
from cohortlib.tables import MEASUREMENT_COLUMNS

REFERENCE = Path(__file__).parents[1] / "reference"


def rim(anteversion_deg, inclination_deg=40.0, n=12):
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    plain = 25 * np.column_stack([np.cos(turn), np.sin(np.radians(anteversion_deg)) * np.sin(turn)])
    c, s = np.cos(np.radians(inclination_deg)), np.sin(np.radians(inclination_deg))
    return plain @ np.array([[c, s], [-s, c]])


# by hand


def test_a_row_for_each_method():
    found = anteversion_rows_by_methods(rim(30), click_sd_mm=0.5, total_length_mm=55.0)
    assert set(found.columns) < set(MEASUREMENT_COLUMNS)
    assert found["value"].iloc[:4].tolist() == pytest.approx([30] * 4)
    assert found["method"].iloc[0] == (
        "radiographic; ratio of the axes (Lewinnek 1978); rim as marked, parallel beam"
    )
    assert len(anteversion_rows_by_methods(rim(30), click_sd_mm=0.5)) == len(METHODS) - 1
    assert set(found["unit"]) == {QUANTITIES["anteversion"].unit}


# by reference


@pytest.mark.parametrize("row", pd.read_csv(REFERENCE / "cup_rim_methods.csv").to_dict("records"))
def test_an_ideal_hemisphere(row):
    length = 25 * (1 + np.sin(np.radians(row["anteversion"])))
    found = anteversion_rows_by_methods(rim(row["anteversion"]), click_sd_mm=0.5, total_length_mm=length)
    assert found["value"].iloc[:4].tolist() == pytest.approx([row["anteversion"]] * 4, abs=0.01)
    assert found["value"].iloc[4] == pytest.approx(row["widmer"], abs=0.005, nan_ok=True)
    assert ("holds from 0.2 to 0.6" in found["note"].iloc[4]) == np.isnan(row["widmer"])


# by law


@given(st.floats(3, 50), st.floats(5, 85), st.floats(-100, 100), st.floats(0.5, 2))
@settings(max_examples=40, deadline=None)
def test_place_size_and_inclination_do_not_matter(anteversion, inclination, place, size):
    points = size * rim(anteversion, inclination) + place
    found = anteversion_rows_by_methods(points, click_sd_mm=0.0)
    assert found["value"].to_numpy() == pytest.approx(anteversion, abs=1e-4)
    assert found["sd"].to_numpy() == pytest.approx(0.0)


# by recovery


@pytest.mark.parametrize(("marks", "rel"), [(16, 0.2), (6, 0.25)])
def test_claimed_errors_are_the_errors_made(marks, rel):
    """Of six marks as well, which lie so close to their own ellipse that it says nothing of their error."""
    rng = np.random.default_rng(61)
    points = rim(18, n=marks)
    made = [
        anteversion_rows_by_methods(points + rng.normal(0, 0.5, points.shape), click_sd_mm=0.5)
        for _ in range(120)
    ]
    values = np.array([table["value"].iloc[0] for table in made])
    claimed = np.sqrt(np.mean([table["sd"].iloc[0] ** 2 for table in made]))
    assert values.mean() == pytest.approx(18, abs=0.4)
    assert values.std() == pytest.approx(claimed, rel=rel)


# by failure


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: anteversion_rows_by_methods(rim(20)[:4], click_sd_mm=0.5), "Expected at least 5"),
        (
            lambda: anteversion_rows_by_methods(rim(20), click_sd_mm=0.5, total_length_mm=10.0),
            "Measure from the far edge",
        ),
        (
            lambda: anteversion_rows_by_methods(rim(20), click_sd_mm=0.5, total_length_mm=np.nan),
            "total_length_mm: found nan",
        ),
        (lambda: anteversion_rows_by_methods(rim(20), click_sd_mm=-1.0), "click_sd_mm: found -1"),
    ],
)
def test_marks_that_give_no_rim_are_refused(call, match):
    with pytest.raises(StudyError, match=match):
        call()
