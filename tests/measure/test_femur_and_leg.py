"""Angles, offset, neck, depth and leg length from places: lateral and up."""

from __future__ import annotations

import doctest
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.geometry.propagation import independent_covariance, propagated_sd
from cohortlib.measure import femur, leg
from cohortlib.measure.cup import centre as cup_centre_module
from cohortlib.measure.cup import cup_centre
from cohortlib.measure.femur import angles, depth, neck, offset
from cohortlib.measure.scale import head_magnification

REFERENCE = pd.read_csv(Path(__file__).parents[1] / "reference" / "film_geometry.csv")
SHAFT = np.array([(40.0, -60.0), (42.0, -140.0)])
TEARDROP, OTHER = np.array([0.0, 0.0]), np.array([-110.0, 2.0])
NECK = np.array([(2.0, 18.0), (22.0, -4.0)])
PLACES = {
    "hip_centre": (lambda p: np.array(cup_centre(p[0], p[1], p[2])), [(32, 15), TEARDROP, OTHER]),
    "global_offset": (
        lambda p: femur.global_offset(p[0], p[3:], p[1], p[2]),
        [(32, 15), TEARDROP, OTHER, *SHAFT],
    ),
    "femoral_offset": (lambda p: femur.femoral_offset(p[0], p[1:]), [(0, 10), *SHAFT]),
    "neck_width": (femur.neck_width, NECK),
    "notching_depth": (lambda p: femur.notching_depth(p[0], p[1:]), [(5, 12), (0, 16), (12, 14)]),
    "stem_depth": (lambda p: femur.stem_depth(p[0], p[1], p[2:]), [(25, -8), (50, 10), *SHAFT]),
    "leg_length_difference": (
        lambda p: leg.leg_length_difference(*p),
        [(55, -45), (-165, -38), TEARDROP, OTHER],
    ),
    "stem_shaft_angle": (lambda p: femur.stem_shaft_angle(p[:2], p[2:]), [(0, 12), (28, -14), *SHAFT]),
    "neck_shaft_angle": (lambda p: femur.neck_shaft_angle(p[0], p[1:3], p[3:]), [(-8, 20), *NECK, *SHAFT]),
    "neck_head_ratio": (
        lambda p: femur.neck_head_ratio(p[:2], np.linalg.norm(p[2] - p[3])),
        [*NECK, (0, 0), (48, 0)],
    ),
}  # fmt: skip
LENGTHS = {"hip_centre", "global_offset", "femoral_offset", "neck_width", "notching_depth", "stem_depth",
           "leg_length_difference"}  # fmt: skip

# by hand


def test_right_angles_and_diagonals():
    assert femur.stem_shaft_angle([(0, 0), (-30, 30)], [(5, -40), (5, -80)]) == pytest.approx(135)
    assert femur.stem_shaft_angle([(0, 0), (0, -50)], [(0, -60), (0, -90)]) == pytest.approx(180)
    assert femur.stem_shaft_angle([(0, 0), (5, -50)], [(0, -60), (0, -90)]) < 180  # tip lateral: varus
    assert femur.stem_shaft_angle([(0, 0), (-5, -50)], [(0, -60), (0, -90)]) > 180
    assert femur.neck_shaft_angle((-30, 30), [(-5, 5), (5, -5)], [(5, -40), (5, -80)]) == pytest.approx(135)


def test_distances():
    assert femur.femoral_offset((0, 0), [(40, -50), (40, -90)]) == pytest.approx(40)
    assert femur.femoral_offset((50, 0), [(40, -50), (40, -90)]) == pytest.approx(-10)
    assert femur.global_offset((30, 12), [(70, -5), (70, -9)], (0, 0), (-110, 0)) == pytest.approx(70)
    assert femur.notching_depth((5, 7), [(0, 10), (10, 10)]) == pytest.approx(3)
    assert leg.hip_length((50, -42), (0, 0), (-110, 0)) == pytest.approx(42)
    assert leg.leg_length_difference((50, -48), (-160, -40), (0, 0), (-110, 0)) == pytest.approx(8)
    assert femur.head_neck_ratio([(0, 0), (0, 40)], 48) == pytest.approx(1.2)


@pytest.mark.parametrize("module", [angles, depth, neck, offset, leg, cup_centre_module])
def test_examples(module):
    result = doctest.testmod(module)
    assert result.failed == 0


# by reference


@pytest.mark.parametrize("row", REFERENCE.to_dict("records"), ids=lambda row: row["what"])
def test_published_arithmetic(row):
    first, second = row["first"], row["second"]
    found = {
        "magnification": lambda: head_magnification(first, second),
        "ball_nearer_percent": lambda: 100 * (1 / head_magnification(second, first) - 1),
        "neck_relative_percent": lambda: femur.neck_narrowing(first, second).relative_percent,
        "neck_points": lambda: femur.neck_narrowing(first, second).percentage_points,
    }.get(row["what"])
    if found is not None:
        assert found() == pytest.approx(row["expected"], abs=0.5 * 10.0 ** -row["decimals"])


def test_one_fall_is_significant_by_one_definition_only():
    found = femur.neck_narrowing(0.860, 0.770)  # 2011 series: more than 10 %
    assert found.percentage_points < neck.SIGNIFICANT_NARROWING_PERCENT < found.relative_percent


def test_a_film_against_tomography():
    # Weber 2014: SD 2.0, 3.6, 5.2 mm and 1, 15, 35 % beyond 5 mm, about means of 1.0, 0.6 and 1.4 mm.
    from scipy.stats import norm

    for (name, sd), mean, share in zip(
        offset.FILM_AGAINST_CT_SD_MM.items(), (1.0, 0.6, 1.4), (0.01, 0.15, 0.35), strict=True
    ):
        beyond = norm.sf(5, mean, sd) + norm.cdf(-5, mean, sd)
        assert beyond == pytest.approx(share, abs=0.03), name


# by law


@pytest.mark.parametrize("name", PLACES)
@given(st.floats(-6, 6), st.floats(-50, 50), st.floats(-50, 50), st.floats(0.5, 2))
@settings(max_examples=20, deadline=None)
def test_a_film_may_be_turned_moved_and_enlarged(name, turn_deg, x, y, size):
    number, places = PLACES[name]
    plain = np.asarray(places, dtype=float)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    moved = size * plain @ np.array([[c, s], [-s, c]]) + [x, y]
    factor = size if name in LENGTHS else 1.0
    np.testing.assert_allclose(number(moved), factor * np.asarray(number(plain)), rtol=1e-9, atol=1e-9)


@given(st.floats(0.3, 0.95), st.floats(0.5, 1.2))
@settings(max_examples=30, deadline=None)
def test_narrowing_and_widening_have_opposite_signs(first, second):
    there, back = femur.neck_narrowing(first, second), femur.neck_narrowing(second, first)
    assert there.percentage_points == pytest.approx(-back.percentage_points)
    assert there.percentage_points == pytest.approx(there.relative_percent * first)


# by recovery


@pytest.mark.parametrize("name", [name for name in PLACES if name != "hip_centre"])
def test_errors_carried_over_are_the_errors_made(name):
    number, places = PLACES[name]
    plain, rng = np.asarray(places, dtype=float), np.random.default_rng(9)
    made = np.std([number(plain + rng.normal(0, 0.5, plain.shape)) for _ in range(1500)])
    claimed = propagated_sd(lambda p: number(p), {"p": plain}, {"p": independent_covariance(plain, 0.5)})
    assert made == pytest.approx(claimed, rel=0.1)


# by failure


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: femur.femoral_offset((0, 0), [(1, 1)]), "found 1 distinct points. Expected at least 2"),
        (lambda: femur.stem_shaft_angle([(1, 1), (1, 1)], SHAFT), "Mark more points, well apart"),
        (lambda: cup_centre((1, 1), (0, 0), (0, 0)), "both teardrops at one place"),
        (lambda: femur.neck_narrowing(86, 77), "ratio_before: found 86.0. .*not percent"),
        (lambda: femur.neck_narrowing(0.9, float("nan")), "ratio_after: found nan"),
        (lambda: femur.neck_head_ratio(NECK, 0.0), "head_diameter: found 0.0"),
        (lambda: femur.neck_width([(0, np.nan), (1, 1)]), "without finite x and y"),
    ],
)
def test_impossible_places_are_refused(call, match):
    with pytest.raises(StudyError, match=match):
        call()
