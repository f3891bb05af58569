"""Three definitions of cup orientation, and pelvic tilt."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.cup import cup_orientation, cup_orientation_after_tilt
from cohortlib.measure.cup.definitions import DEFINITIONS

REFERENCE = Path(__file__).parents[1] / "reference"

inclinations = st.floats(5, 85)
anteversions = st.floats(-40, 60)

# by hand


@pytest.mark.parametrize("given_", DEFINITIONS)
@pytest.mark.parametrize("wanted", DEFINITIONS)
def test_without_anteversion_all_definitions_agree(given_, wanted):
    np.testing.assert_allclose(cup_orientation(40, 0, given=given_, wanted=wanted), (40, 0), atol=1e-9)


def test_at_45_degrees_operative_and_anatomical_anteversion_agree():
    operative = cup_orientation(45, 17, given="radiographic", wanted="operative")[1]
    anatomical = cup_orientation(45, 17, given="radiographic", wanted="anatomical")[1]
    assert operative == pytest.approx(anatomical)


# by reference


@pytest.mark.parametrize("row", pd.read_csv(REFERENCE / "cup_orientation.csv").to_dict("records"))
def test_conversion_table(row):
    found = cup_orientation(
        row["inclination_given"],
        row["anteversion_given"],
        given=row["definition_given"],
        wanted=row["definition"],
    )
    np.testing.assert_allclose(found, (row["inclination"], row["anteversion"]), atol=0.005)


@pytest.mark.parametrize("row", pd.read_csv(REFERENCE / "cup_tilt.csv").to_dict("records"))
def test_tilt_table(row):
    found = cup_orientation_after_tilt(40, 15, tilt_deg=row["tilt"])
    np.testing.assert_allclose(found, (row["inclination"], row["anteversion"]), atol=0.005)


def test_slope_of_anteversion_with_tilt():
    # Closed form from Murray 1993: cos OI cos OA / cos RA = 0.766 degrees per degree at 40/15
    _, ends = cup_orientation_after_tilt([40, 40], [15, 15], tilt_deg=np.array([-0.01, 0.01]))
    assert (ends[0] - ends[1]) / 0.02 == pytest.approx(0.766, abs=5e-4)


# by law


@given(inclinations, anteversions, st.sampled_from(DEFINITIONS), st.sampled_from(DEFINITIONS))
@settings(max_examples=200, deadline=None)
def test_there_and_back(inclination, anteversion, first, second):
    there = cup_orientation(inclination, anteversion, given=first, wanted=second)
    back = cup_orientation(*there, given=second, wanted=first)
    np.testing.assert_allclose(back, (inclination, anteversion), atol=1e-9)


@given(inclinations, st.floats(0, 60))
@settings(max_examples=200, deadline=None)
def test_invariants_of_the_three_definitions(inclination, anteversion):
    """Murray 1993: operative <= radiographic <= anatomical inclination; radiographic anteversion is least."""
    operative = cup_orientation(inclination, anteversion, given="radiographic", wanted="operative")
    anatomical = cup_orientation(inclination, anteversion, given="radiographic", wanted="anatomical")
    slack = 1e-9
    assert operative[0] <= inclination + slack
    assert inclination <= anatomical[0] + slack
    assert anteversion <= operative[1] + slack
    assert anteversion <= anatomical[1] + slack


@given(inclinations, st.floats(-20, 40), st.floats(-20, 20), st.floats(-20, 20))
@settings(max_examples=100, deadline=None)
def test_tilts_add_up(inclination, anteversion, first, second):
    twice = cup_orientation_after_tilt(
        *cup_orientation_after_tilt(inclination, anteversion, tilt_deg=first), tilt_deg=second
    )
    once = cup_orientation_after_tilt(inclination, anteversion, tilt_deg=first + second)
    np.testing.assert_allclose(twice, once, atol=1e-8)


def test_arrays_keep_their_shape():
    inclination, anteversion = cup_orientation(
        np.full((3, 2), 40.0), 15.0, given="radiographic", wanted="anatomical"
    )
    assert inclination.shape == anteversion.shape == (3, 2)


# by failure


def test_an_unknown_definition_is_refused():
    words = "definition: found .surgical.. Expected one of radiographic, operative, anatomical. Name"
    with pytest.raises(StudyError, match=words):
        cup_orientation(40, 15, given="surgical", wanted="radiographic")
