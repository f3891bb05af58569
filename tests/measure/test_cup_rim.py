"""Cup orientation from points on the shadow of the rim."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.cup import cup_orientation_from_rim

REFERENCE = Path(__file__).parents[1] / "reference"


def rim_shadow(
    inclination_deg,
    anteversion_deg,
    *,
    side,
    centre,
    beam=(1150.0, (0.0, 0.0)),
    radius=25.0,
    n=24,
    span_deg=360,
):
    """Shadow of a rim by rays drawn one by one: written here on its own, not from the library."""
    i, v = np.radians([inclination_deg, anteversion_deg])
    lateral = 1 if side == "left" else -1
    axis = np.array([lateral * np.cos(v) * np.sin(i), -np.cos(v) * np.cos(i), np.sin(v)])
    long = np.array([-axis[1], axis[0], 0]) / np.hypot(axis[0], axis[1])
    short = np.cross(axis, long)
    turn = np.radians(np.linspace(0, span_deg, n, endpoint=False))[:, None]
    rim = np.array([*centre, 150.0]) + radius * (np.cos(turn) * long + np.sin(turn) * short)
    if beam is None:
        return rim[:, :2]
    distance, beam_centre = beam
    source = np.array([*beam_centre, distance])
    return np.array([(source + (point - source) * distance / (distance - point[2]))[:2] for point in rim])


# by hand


def test_a_parallel_beam_reads_the_axis_ratio():
    found = cup_orientation_from_rim(
        rim_shadow(40, 30, side="left", centre=(0, 0), beam=None), side="left", beam=None
    )
    assert found.inclination_deg == pytest.approx(40)
    assert found.anteversion_deg == pytest.approx(30)
    assert found.method == "rim, parallel beam"


# by reference


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("row", pd.read_csv(REFERENCE / "cup_cone_beam.csv").to_dict("records"))
def test_cone_beam_table(row, side):
    lateral = 1 if side == "left" else -1
    points = rim_shadow(
        row["inclination"], row["anteversion"], side=side, centre=(lateral * row["lateral"], row["cranial"])
    )
    parallel = cup_orientation_from_rim(points, side=side, beam=None)
    assert parallel.inclination_deg == pytest.approx(row["apparent_inclination"], abs=0.006)
    assert parallel.anteversion_deg == pytest.approx(row["apparent_anteversion"], abs=0.006)
    exact = cup_orientation_from_rim(points, side=side, beam=(1150.0, (0.0, 0.0)))
    assert exact.inclination_deg == pytest.approx(row["inclination"], abs=1e-6)
    assert exact.anteversion_deg == pytest.approx(row["anteversion"], abs=1e-6)


# by law


@given(
    inclination=st.floats(15, 80),
    anteversion=st.floats(0.5, 45),
    side=st.sampled_from(["left", "right"]),
    x=st.floats(-200, 200),
    y=st.floats(-200, 200),
    beam_x=st.floats(-60, 60),
    beam_y=st.floats(-60, 60),
)
@settings(max_examples=150, deadline=None)
def test_exact_anywhere_on_the_detector(inclination, anteversion, side, x, y, beam_x, beam_y):
    beam = (1150.0, (beam_x, beam_y))
    points = rim_shadow(inclination, anteversion, side=side, centre=(x, y), beam=beam)
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    assume(spread[1] > 0.01 * spread[0])  # seen edge-on a rim is a line and determines nothing
    found = cup_orientation_from_rim(points, side=side, beam=beam)
    poses = [(found.inclination_deg, found.anteversion_deg)]
    if "two anteverted poses" in found.note:
        poses.append(found.other)
    errors = np.abs(np.array(poses) - [inclination, anteversion]).max(axis=1)
    assert errors.min() < 0.05


def test_where_both_poses_are_anteverted_both_are_given():
    # Close to the ray's own direction, 90 mm lateral of the beam: 4 and about 6 degrees look alike.
    points = rim_shadow(45, 4, side="left", centre=(90, 0))
    found = cup_orientation_from_rim(points, side="left", beam=(1150.0, (0.0, 0.0)))
    assert "two anteverted poses cast this outline" in found.note
    assert found.anteversion_deg > found.other[1] > 0
    again = rim_shadow(*found.other, side="left", centre=(90, 0))
    both = sorted([found.anteversion_deg, found.other[1]])
    assert min(abs(both[0] - 4), abs(both[1] - 4)) < 1e-6
    assert again.shape == points.shape


@given(st.floats(20, 70), st.floats(5, 40), st.floats(-100, 100), st.floats(-100, 100))
@settings(max_examples=40, deadline=None)
def test_a_mirrored_film_is_the_other_side(inclination, anteversion, x, y):
    points = rim_shadow(inclination, anteversion, side="left", centre=(x, y))
    left = cup_orientation_from_rim(points, side="left", beam=(1150.0, (5.0, 0.0)))
    right = cup_orientation_from_rim(points * [-1, 1], side="right", beam=(1150.0, (-5.0, 0.0)))
    assert left.inclination_deg == pytest.approx(right.inclination_deg, abs=1e-6)
    assert left.anteversion_deg == pytest.approx(right.anteversion_deg, abs=1e-6)


# by recovery


@pytest.mark.parametrize("span_deg", [360, 220])
def test_the_standard_deviation_is_the_scatter(span_deg):
    rng = np.random.default_rng(7)
    exact = rim_shadow(42, 17, side="right", centre=(-85, 10), n=60, span_deg=span_deg)
    beam = (1150.0, (0.0, 0.0))
    found = [
        cup_orientation_from_rim(exact + rng.normal(0, 0.15, exact.shape), side="right", beam=beam)
        for _ in range(60)
    ]
    for name in ("inclination", "anteversion"):
        values = np.array([getattr(one, f"{name}_deg") for one in found])
        said = np.median([getattr(one, f"{name}_sd_deg") for one in found])
        truth = 42 if name == "inclination" else 17
        assert abs(values.mean() - truth) < 4 * said / np.sqrt(60)
        assert said == pytest.approx(values.std(), rel=0.35)


# by failure


@pytest.mark.parametrize(
    ("points", "options", "words"),
    [
        ([(0, 0)] * 9, {"side": "left"}, "1 distinct points. Expected at least 5 for an ellipse"),
        (
            rim_shadow(40, 15, side="left", centre=(0, 0)),
            {"side": "L"},
            "side: found 'L'. Expected 'left' or 'right'",
        ),
        (
            rim_shadow(40, 15, side="left", centre=(0, 0)),
            {"side": "left", "beam": (0.0, (0.0, 0.0))},
            "beam: found 0.0. Expected a source-to-detector distance above 0 mm",
        ),
        ([(i, 2 * i) for i in range(8)], {"side": "left"}, "8 points that lie on no ellipse"),
    ],
)
def test_what_determines_no_rim_is_refused(points, options, words):
    with pytest.raises(StudyError, match=words):
        cup_orientation_from_rim(points, **options)
