"""Native acetabulum on a film: angles against the inter-teardrop line and its vertical."""

from __future__ import annotations

import doctest

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure import acetabulum as module
from cohortlib.measure.acetabulum import acetabular_index, centre_edge_angle

LINE = (-30.0, -15.0), (-140.0, -15.0)

# by hand


def test_forty_five_degrees_and_none():
    assert centre_edge_angle((0, 0), (20, 20), *LINE) == pytest.approx(45)
    assert centre_edge_angle((0, 0), (0, 25), *LINE) == pytest.approx(0)
    assert centre_edge_angle((0, 0), (-10, 10), *LINE) == pytest.approx(-45)
    assert acetabular_index((0, 20), (20, 20), *LINE) == pytest.approx(0)
    assert acetabular_index((0, 20), (20, 40), *LINE) == pytest.approx(45)


def test_examples():
    assert doctest.testmod(module).failed == 0


# by reference: from memory, after Wiberg G 1939: an edge straight above the centre covers nothing laterally,
# and the arc that is covered grows degree by degree with the angle


@pytest.mark.parametrize("angle", [20.0, 25.0, 39.0, 40.0])
def test_an_edge_at_a_known_angle_on_a_circle(angle):
    edge = 26 * np.array([np.sin(np.radians(angle)), np.cos(np.radians(angle))])
    assert centre_edge_angle((0, 0), edge, *LINE) == pytest.approx(angle)


# by law


@given(st.floats(-20, 20), st.floats(-80, 80), st.floats(-80, 80), st.floats(0.5, 2))
@settings(max_examples=50, deadline=None)
def test_a_film_may_be_turned_moved_and_enlarged(turn_deg, x, y, size):
    turn = np.radians(turn_deg)
    move = size * np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    places = np.array([(0, 0), (15, 24), (-6, 22), *LINE], dtype=float)
    centre, edge, medial, *line = places @ move + [x, y]
    plain = centre_edge_angle((0, 0), (15, 24), *LINE), acetabular_index((-6, 22), (15, 24), *LINE)
    assert centre_edge_angle(centre, edge, *line) == pytest.approx(plain[0])
    assert acetabular_index(medial, edge, *line) == pytest.approx(plain[1])


@given(st.floats(1, 40), st.floats(-10, 10))
@settings(max_examples=30, deadline=None)
def test_obliquity_of_the_pelvis_is_out(angle, obliquity):
    # The other teardrop sinks: against the horizontal of the film the angle changes by just that.
    other = np.array([-30.0, -15.0]) - 110 * np.array(
        [np.cos(np.radians(obliquity)), np.sin(np.radians(obliquity))]
    )
    edge = 26 * np.array([np.sin(np.radians(angle)), np.cos(np.radians(angle))])
    assert centre_edge_angle((0, 0), edge, LINE[0], other) == pytest.approx(angle + obliquity)


# by recovery


def test_the_scatter_is_that_of_the_marks():
    rng = np.random.default_rng(17)
    noise = rng.normal(0, 0.6, (2000, 4, 2))
    plain = np.array([(0, 0), (14, 22), *LINE], dtype=float)
    found = np.array([centre_edge_angle(*(plain + one)) for one in noise])
    expected = np.degrees(np.hypot(0.6 * np.sqrt(2) / np.hypot(14, 22), 0.6 * np.sqrt(2) / 110))
    assert found.mean() == pytest.approx(np.degrees(np.arctan2(14, 22)), abs=0.2)
    assert found.std() == pytest.approx(expected, rel=0.06)


# by failure


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: centre_edge_angle((0, 0), (0, 0), *LINE), "Mark the edge of the acetabulum"),
        (lambda: centre_edge_angle((0, 0), (np.nan, 1), *LINE), "Mark the edge of the acetabulum"),
        (lambda: acetabular_index((0, 20), (20, 22), (1, 1), (1, 1)), "both teardrops at one place"),
    ],
)
def test_impossible_places_are_refused(call, match):
    with pytest.raises(StudyError, match=match):
        call()
