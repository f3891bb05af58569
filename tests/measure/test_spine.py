"""Tilt of the pelvis against the spine, estimated from a film from the front."""

from __future__ import annotations

import doctest

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from cohortlib.errors import StudyError
from cohortlib.measure import spine as module
from cohortlib.measure.spine import SPINOPELVIC_TILT_SD_DEG, sacro_femoral_pubic_angle, spinopelvic_tilt

# by hand


def test_a_right_angle_and_the_zero():
    assert sacro_femoral_pubic_angle((0, 50), (0, 0), (-40, 0)) == pytest.approx(90)
    assert spinopelvic_tilt(75.0)[0] == 0
    assert spinopelvic_tilt(55.0)[0] == pytest.approx(20)


def test_examples():
    assert doctest.testmod(module).failed == 0


# by reference: Blondel B et al., Eur Spine J 2012;21:719-24 (abstract): tilt = 75 - angle; 76 % within 7.5


def test_the_stated_spread_puts_76_of_100_within_7_5_degrees():
    within = norm.cdf(7.5, scale=SPINOPELVIC_TILT_SD_DEG) - norm.cdf(-7.5, scale=SPINOPELVIC_TILT_SD_DEG)
    assert within == pytest.approx(0.76, abs=0.005)
    assert spinopelvic_tilt(75 - 20)[0] == pytest.approx(20)


# by law


@given(st.floats(0, 360), st.floats(-50, 50), st.floats(0.3, 3), st.booleans())
@settings(max_examples=50, deadline=None)
def test_side_scale_and_place_on_the_film_do_not_matter(turn_deg, shift, size, mirrored):
    turn = np.radians(turn_deg)
    move = size * np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    places = np.array([(80.0, 95.0), (0.0, 0.0), (88.0, -38.0)])
    plain = sacro_femoral_pubic_angle(*places)
    found = sacro_femoral_pubic_angle(*((places * [-1 if mirrored else 1, 1]) @ move + shift))
    assert found == pytest.approx(plain)


# by recovery


def test_a_pelvis_that_leans_back_has_a_smaller_angle_and_more_tilt():
    # Sacrum, hip and symphysis turned about the hips as seen from the side, then laid on the film.
    found = []
    for lean in np.radians([-10.0, 0.0, 10.0]):
        places = []
        for aside, front, up in ((85.0, -15.0, 100.0), (85.0, 75.0, -40.0)):
            places.append((aside, up * np.cos(lean) + front * np.sin(lean)))
        found.append(spinopelvic_tilt(sacro_femoral_pubic_angle(places[0], (0, 0), places[1]))[0])
    assert found[0] < found[1] < found[2]


# by failure


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: sacro_femoral_pubic_angle((0, 0), (0, 0), (1, 1)), "three places apart"),
        (lambda: sacro_femoral_pubic_angle((np.nan, 0), (0, 0), (1, 1)), "three places apart"),
        (lambda: spinopelvic_tilt(10.0), r"angle_deg: found 10\.0"),
        (lambda: spinopelvic_tilt(np.nan), "angle_deg: found nan"),
    ],
)
def test_impossible_marks_are_refused(call, match):
    with pytest.raises(StudyError, match=match):
        call()
