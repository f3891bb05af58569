"""Shadows of spheres and circles, and the circle back from its shadow."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.geometry import fit_ellipse
from cohortlib.geometry.projection import (
    circle_frame,
    circle_normals,
    circle_shadow,
    projected_points,
    source_position,
    sphere_shadow,
)

SOURCE = source_position(1150.0, (0.0, 0.0))


def circle_points(centre, normal, radius, n=40):
    across, along = circle_frame(normal)
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)[:, None]
    return np.asarray(centre) + radius * (np.cos(turn) * across + np.sin(turn) * along)


# by hand


def test_a_point_halfway_to_the_source_casts_twice_its_offset():
    np.testing.assert_allclose(projected_points([(10, 0, 575)], SOURCE), [(20, 0)])


def test_without_a_source_the_beam_is_parallel():
    np.testing.assert_allclose(projected_points([(10, 4, 575)], None), [(10, 4)])
    assert sphere_shadow((1, 2, 3), 24, None).semi_axes == (24, 24)


# by reference: closed form of the shadow of a sphere; an analytic ray tracer of a tomography toolkit agrees


def test_sphere_shadow_oracle():
    # radius 24 at (20, -15) from the beam axis, 990 mm from the source's plane, detector at 1150 mm
    shadow = sphere_shadow((20, -15, 160), 24, SOURCE)
    np.testing.assert_allclose(shadow.centre, [23.24598, -17.43449], atol=5e-6)
    np.testing.assert_allclose(shadow.semi_axes, [27.8959, 27.8870], atol=5e-5)


# by law


@given(
    st.floats(-150, 150),
    st.floats(-150, 150),
    st.floats(0, 400),
    st.floats(5, 85),
    st.floats(0, 360),
    st.floats(10, 40),
)
@settings(max_examples=80, deadline=None)
def test_circle_shadow_and_back(x, y, z, lean_deg, turn_deg, radius):
    lean, turn = np.radians(lean_deg), np.radians(turn_deg)
    normal = np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    shadow = circle_shadow((x, y, z), normal, radius, SOURCE)
    points = projected_points(circle_points((x, y, z), normal, radius), SOURCE)
    homogeneous = np.column_stack([points, np.ones(len(points))])
    conic = shadow.conic()
    # The value of the conic over its slope: how far from the ellipse a point lies, however thin that is.
    slope = 2 * np.hypot(*(homogeneous @ conic)[:, :2].T)
    off_mm = np.einsum("ni,ij,nj->n", homogeneous, conic, homogeneous) / slope
    np.testing.assert_allclose(off_mm, 0, atol=1e-8)
    alignment = np.abs(circle_normals(shadow, SOURCE) @ normal)
    assert alignment.max() == pytest.approx(1, abs=1e-9)


@given(st.floats(5, 85), st.floats(0, 360))
@settings(max_examples=30, deadline=None)
def test_a_parallel_beam_cannot_tell_front_from_back(lean_deg, turn_deg):
    lean, turn = np.radians(lean_deg), np.radians(turn_deg)
    normal = np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    first, second = circle_normals(circle_shadow((1, 2, 0), normal, 25, None), None)
    np.testing.assert_allclose(first * [-1, -1, 1], second, atol=1e-9)
    assert max(abs(first @ normal), abs(second @ normal)) == pytest.approx(1, abs=1e-9)


# by recovery


def test_normals_from_noisy_rim_points():
    rng = np.random.default_rng(4)
    normal = np.array([0.62, -0.74, 0.259])
    normal /= np.linalg.norm(normal)
    points = projected_points(circle_points((90, 0, 150), normal, 25), SOURCE)
    shadow = fit_ellipse(points + rng.normal(0, 0.05, points.shape))
    assert np.abs(circle_normals(shadow, SOURCE) @ normal).max() > np.cos(np.radians(0.5))


# by failure


def test_impossible_beams_are_refused():
    with pytest.raises(StudyError, match=r"source 10\.0 mm from the centre.*Expected more than the radius"):
        sphere_shadow((0, 0, 1140), 24, SOURCE)
    with pytest.raises(StudyError, match="seen edge-on"):
        circle_shadow((0, 0, 100), (1, 0, 0), 25, None)
