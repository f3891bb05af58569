"""Anteversion across the table: its sign, and what the lean of the beam does."""

from __future__ import annotations

import doctest
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.cup import lateral_view as module
from cohortlib.measure.cup.lateral_view import anteversion_from_lateral_view, lateral_view_angle

TABLE = pd.read_csv(Path(__file__).parents[1] / "reference" / "cup_orientation.csv")
OPERATIVE = TABLE[(TABLE["definition_given"] == "radiographic") & (TABLE["definition"] == "operative")]
WAYS = {"anterior": (0.0, 1.0), "cranial": (1.0, 0.0)}


def mouth(inclination_deg, anteversion_deg, lean_deg, *, noise=0.0, rng=None):
    """Long axis of the rim's parallel shadow on a film across the table: to the head, up from the table.

    Rays drawn here on their own: the film stands across the beam, which runs in the coronal plane.
    """
    i, v, lean = np.radians([inclination_deg, anteversion_deg, lean_deg])
    axis = np.array([np.cos(v) * np.sin(i), np.sin(v), -np.cos(v) * np.cos(i)])
    start = np.cross(axis, [0.3, 0.5, 0.8])
    first = start / np.linalg.norm(start)
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)[:, None]
    circle = 25 * (np.cos(turn) * first + np.sin(turn) * np.cross(axis, first))
    seen = circle @ np.array([[-np.sin(lean), 0.0], [0.0, 1.0], [np.cos(lean), 0.0]])
    longest = seen[np.argmax(np.linalg.norm(seen, axis=1))]
    ends = np.array([longest, -longest])
    return ends if rng is None else ends + rng.normal(0, noise, ends.shape)


# by hand


def test_a_mouth_straight_up_has_none_and_one_that_looks_back_is_negative():
    assert lateral_view_angle([(0, 0), (0, 50)], **WAYS) == pytest.approx(0)
    assert lateral_view_angle([(0, 0), (10, 10)], **WAYS) == pytest.approx(45)
    assert lateral_view_angle([(0, 0), (-10, 10)], **WAYS) == pytest.approx(-45)


def test_examples():
    assert doctest.testmod(module).failed == 0


# by reference: Murray DW 1993, the operative angle is the one seen from the side


@pytest.mark.parametrize("row", OPERATIVE.to_dict("records"))
def test_straight_from_the_side_it_is_the_operative_angle(row):
    given_ = row["inclination_given"], row["anteversion_given"]
    assert lateral_view_angle(mouth(*given_, 0.0), **WAYS) == pytest.approx(row["anteversion"], abs=0.3)
    found = anteversion_from_lateral_view(row["anteversion"], row["inclination_given"], beam_lean_deg=0.0)
    assert found == pytest.approx(row["anteversion_given"], abs=0.01)


# by law


@given(st.floats(25, 60), st.floats(-20, 35), st.floats(0, 60))
@settings(max_examples=60, deadline=None)
def test_both_films_together_give_the_angle_put_in(inclination, anteversion, lean):
    seen = lateral_view_angle(mouth(inclination, anteversion, lean), **WAYS)
    found = anteversion_from_lateral_view(seen, inclination, beam_lean_deg=lean)
    assert found == pytest.approx(anteversion, abs=0.5)  # points of the rim lie half a degree apart


@given(st.floats(-60, 60), st.floats(0, 360), st.booleans())
@settings(max_examples=40, deadline=None)
def test_a_film_may_be_turned_or_mirrored(angle, turn_deg, mirrored):
    turn = np.radians(turn_deg)
    move = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    move = move @ np.diag([-1.0 if mirrored else 1.0, 1.0])
    ends = np.array([[0, 0], [np.sin(np.radians(angle)), np.cos(np.radians(angle))]]) * 50
    found = lateral_view_angle(ends @ move.T, anterior=move @ [0, 1], cranial=move @ [1, 0])
    assert found == pytest.approx(angle, abs=1e-9)


# by recovery


@pytest.mark.parametrize("anteversion", [-12.0, 5.0, 20.0])
def test_sign_and_size_are_found_from_blurred_marks(anteversion):
    rng = np.random.default_rng(31)
    seen = [lateral_view_angle(mouth(42, anteversion, 45, noise=0.7, rng=rng), **WAYS) for _ in range(300)]
    found = anteversion_from_lateral_view(seen, 42.0, beam_lean_deg=45.0)
    assert found.mean() == pytest.approx(anteversion, abs=0.5)
    assert found.std() == pytest.approx(np.degrees(0.7 * np.sqrt(2) / 50), rel=0.2)


# by failure


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: lateral_view_angle([(1, 1)], **WAYS), "found 1 distinct points"),
        (lambda: lateral_view_angle([(0, 0), (1, 1)], anterior=(0, 1), cranial=(0, 2)), "across each other"),
        (lambda: lateral_view_angle([(0, 0), (1, 1)], anterior=(0, 0), cranial=(1, 0)), "across each other"),
        (lambda: anteversion_from_lateral_view(95, 40, beam_lean_deg=45), "within 90 degrees"),
        (lambda: anteversion_from_lateral_view(15, 40, beam_lean_deg=80), "Give the lean of the beam"),
        (lambda: anteversion_from_lateral_view(np.nan, 40, beam_lean_deg=45), "found nan"),
    ],
)
def test_impossible_views_are_refused(call, match):
    with pytest.raises(StudyError, match=match):
        call()
