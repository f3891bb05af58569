"""Named methods for anteversion on one film, side by side."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.geometry.ellipse import Ellipse, fit_ellipse
from cohortlib.measure.cup import rim_methods as methods

REFERENCE = Path(__file__).parents[1] / "reference"


def ellipse(anteversion_deg: float, inclination_deg: float = 40.0) -> Ellipse:
    minor = 25.0 * float(np.sin(np.radians(anteversion_deg)))
    return Ellipse(np.zeros(2), (25.0, minor), inclination_deg)


# by hand


def test_a_rim_half_as_high_as_wide_has_30_degrees():
    assert methods.anteversion_from_axes(25, 50) == pytest.approx(30)
    assert methods.anteversion_from_station(12.5, 25, 50) == pytest.approx(30)
    assert methods.anteversion_from_fifth(10, 50) == pytest.approx(30)


# by reference


@pytest.mark.parametrize("row", pd.read_csv(REFERENCE / "cup_rim_methods.csv").to_dict("records"))
def test_published_methods(row):
    angle = row["anteversion"]
    assert np.sin(np.radians(angle)) == pytest.approx(row["axis_ratio"], abs=5e-5)
    assert methods.anteversion_from_axes(row["minor"], 50) == pytest.approx(angle, abs=0.01)
    assert methods.anteversion_from_end_angle(row["end_angle"]) == pytest.approx(angle, abs=0.01)
    assert methods.anteversion_from_fifth(row["fifth"], 50) == pytest.approx(angle, abs=0.02)
    sine = np.sin(np.radians(angle))
    assert 2 * sine / (1 + sine) == pytest.approx(row["short_axis_over_length"], abs=5e-5)
    found = methods.anteversion_from_short_axis(2 * sine, 1 + sine)
    assert found == pytest.approx(row["widmer"], abs=0.005, nan_ok=True)


@pytest.mark.parametrize(("angle", "slope"), [(0.0, 0.573), (15.0, 0.593), (30.0, 0.662)])
def test_error_of_the_axis_ratio(angle, slope):
    # Computed: 0.01 in the ratio is 0.573 / cos RA degrees.
    ratio = np.sin(np.radians(angle))
    moved = [float(methods.anteversion_from_axes(ratio + step, 1.0)) for step in (-0.001, 0.001)]
    assert (moved[1] - moved[0]) / 0.2 == pytest.approx(slope, abs=1e-3)


# by law


@given(st.floats(0.5, 60), st.floats(5, 85), st.floats(0.1, 0.9))
@settings(max_examples=50, deadline=None)
def test_on_a_whole_ellipse_all_but_the_straight_line_agree(angle, inclination, part):
    table = methods.anteversion_by_methods(ellipse(angle, inclination)).set_index("method")["value"]
    assert table.to_numpy() == pytest.approx(angle, abs=1e-6)
    half = 25.0 * np.sin(np.radians(angle)) * np.sqrt(1 - (2 * part - 1) ** 2)
    assert methods.anteversion_from_station(half, 50 * part, 50) == pytest.approx(angle, abs=1e-6)


@given(st.floats(10, 25))
@settings(max_examples=30, deadline=None)
def test_the_straight_line_reads_more(angle):
    sine = np.sin(np.radians(angle))
    table = methods.anteversion_by_methods(ellipse(angle), total_length=25 * (1 + sine))
    over = table.set_index("method").loc[methods.SHORT_AXIS_LENGTH, "value"] - angle
    assert 3.0 < over < 4.6


# by recovery


def test_the_claimed_error_is_the_error_made():
    rng = np.random.default_rng(3)
    truth = ellipse(15.0).points(25)[:-1]
    found = [
        methods.anteversion_by_methods(fit_ellipse(truth + rng.normal(0, 0.4, truth.shape))).iloc[0]
        for _ in range(60)
    ]
    values = np.array([row["value"] for row in found])
    claimed = np.sqrt(np.mean([row["sd"] ** 2 for row in found]))
    assert values.mean() == pytest.approx(15.0, abs=0.3)
    assert values.std() == pytest.approx(claimed, rel=0.35)


# by failure


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: methods.anteversion_from_axes(50, 25), r"found 2\.0\. Expected a ratio of at most 1"),
        (lambda: methods.anteversion_from_fifth(30, 50), r"perpendicular over 0\.4 D: found 1\.5"),
        (lambda: methods.anteversion_from_station(5, 60, 50), "station: found '60'"),
    ],
)
def test_impossible_lengths_are_refused(call, match):
    with pytest.raises(StudyError, match=match):
        call()
