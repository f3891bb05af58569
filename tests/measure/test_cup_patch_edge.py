"""The edge of the contact patch: how near it comes to the rim, and at which inclination it touches."""

from __future__ import annotations

import doctest
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.cup import contact_patch_to_rim_distance, patch_edge
from cohortlib.measure.cup.patch_edge import contact_patch_edge_to_rim_distance, critical_inclination

REFERENCE = Path(__file__).parents[1] / "reference"
SIZES = {"bearing_diameter_mm": 50.0, "cup_arc_deg": 160.0, "load_medial_deg": 15.0}


# by hand


def test_a_patch_as_wide_as_the_margin_touches_the_rim():
    # At 40/0 the margin is 55 degrees: half a patch of 110 fills it.
    assert contact_patch_edge_to_rim_distance(40, 0, patch_arc_deg=110, **SIZES) == pytest.approx(0)
    assert contact_patch_edge_to_rim_distance(60, 0, patch_arc_deg=90, **SIZES) < 0


def test_examples():
    assert doctest.testmod(patch_edge).failed == 0


# by reference


@pytest.mark.parametrize("row", pd.read_csv(REFERENCE / "cup_patch.csv").to_dict("records"))
def test_critical_inclination(row):
    arcs = {"cup_arc_deg": row["bearing_arc"], "patch_arc_deg": row["patch_arc"]}
    assert critical_inclination(**arcs, load_medial_deg=0) == pytest.approx(row["critical_inclination"])
    assert critical_inclination(**arcs, load_medial_deg=10) == pytest.approx(row["critical_inclination"] + 10)


@pytest.mark.parametrize("row", pd.read_csv(REFERENCE / "cup_cover.csv").to_dict("records"))
def test_distance_of_the_centre_less_half_of_the_patch(row):
    found = contact_patch_edge_to_rim_distance(
        row["inclination"],
        row["anteversion"],
        bearing_diameter_mm=row["diameter"],
        cup_arc_deg=row["arc"],
        patch_arc_deg=30.0,
        load_medial_deg=row["load_medial"],
    )
    assert found == pytest.approx(row["distance"] - row["diameter"] * np.pi * 15 / 360, abs=0.005)


# by law


@given(st.floats(90.1, 180), st.floats(1, 100), st.floats(-10, 20))
@settings(max_examples=50, deadline=None)
def test_at_the_critical_inclination_the_edge_lies_on_the_rim(arc, patch, load):
    at = critical_inclination(cup_arc_deg=arc, patch_arc_deg=patch, load_medial_deg=load)
    if at < load:
        return  # the load passes the pole on the other side: no patch so wide is of interest
    sizes = {"bearing_diameter_mm": 48.0, "cup_arc_deg": arc, "load_medial_deg": load}
    assert contact_patch_edge_to_rim_distance(at, 0, patch_arc_deg=patch, **sizes) == pytest.approx(
        0, abs=1e-5
    )


@given(st.floats(20, 60), st.floats(0, 40), st.floats(1, 60), st.floats(1, 50))
@settings(max_examples=50, deadline=None)
def test_a_wider_patch_comes_nearer(inclination, anteversion, patch, more):
    angles = inclination, anteversion
    narrow, wide = (
        contact_patch_edge_to_rim_distance(*angles, patch_arc_deg=arc, **SIZES)
        for arc in (patch, patch + more)
    )
    assert wide < narrow < contact_patch_to_rim_distance(*angles, **SIZES)


# by recovery


def test_the_nearest_point_of_a_drawn_patch():
    # A patch drawn point by point on the ball, and the rim likewise; the way between them along the ball.
    i, v, load, radius = np.radians(50.0), np.radians(20.0), np.radians(15.0), 25.0
    axis = np.array([np.cos(v) * np.sin(i), np.sin(v), -np.cos(v) * np.cos(i)])
    force = np.array([-np.sin(load), 0.0, np.cos(load)])

    def around(middle, half_angle):
        first = np.cross(middle, [0.2, 0.9, 0.1])
        first /= np.linalg.norm(first)
        turn = np.linspace(0, 2 * np.pi, 1440, endpoint=False)[:, None]
        ring = np.cos(turn) * first + np.sin(turn) * np.cross(middle, first)
        return np.cos(half_angle) * middle + np.sin(half_angle) * ring

    patch, rim = around(force, np.radians(20.0)), around(-axis, np.radians(80.0))
    drawn = radius * np.arccos(np.clip(patch @ rim.T, -1, 1)).min()
    found = contact_patch_edge_to_rim_distance(50, 20, patch_arc_deg=40, **SIZES)
    assert found == pytest.approx(drawn, abs=0.01)


# by failure


@pytest.mark.parametrize("size", [0.0, -5.0, 130.0, np.nan])
def test_an_impossible_patch_is_refused(size):
    with pytest.raises(StudyError, match="patch_arc_deg: found"):
        contact_patch_edge_to_rim_distance(40, 15, patch_arc_deg=size, **SIZES)
    with pytest.raises(StudyError, match="the angle of the whole patch"):
        critical_inclination(cup_arc_deg=160, patch_arc_deg=size, load_medial_deg=10)


def test_half_of_the_arc_is_refused():
    with pytest.raises(StudyError, match="not its half"):
        critical_inclination(cup_arc_deg=80, patch_arc_deg=30, load_medial_deg=10)
