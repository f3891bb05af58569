"""Rays, meshes and outlines: the geometry of the beam."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.synthetic.missing_bones import ellipsoid
from cohortlib.synthetic.outlines import circle_outline_px, outline_axes_mm, sphere_outline_px
from cohortlib.synthetic.solids import HalfSpace, Solid
from cohortlib.synthetic.xray import Grid, mesh_path_mm, resampled

GRID = Grid(columns=201, rows=151, spacing_mm=0.5, source_to_detector_mm=1150.0)
_CUBE = "013 032 467 475 045 051 237 276 026 064 157 173"
CUBE_TRIANGLES = np.array([[int(corner) for corner in face] for face in _CUBE.split()])


def box_mm(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    corners = [[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]
    return np.array(corners, dtype=float)


# ---- by hand -------------------------------------------------------------------------------------


def test_a_point_on_the_beam_axis_falls_in_the_middle():
    np.testing.assert_allclose(GRID.px([[0, 1000, 0]]), [[100, 75]])


def test_left_is_right_on_the_film_and_the_head_is_up():
    # 1150 / 1000 magnifies 10 mm to 11.5 mm = 23 px
    np.testing.assert_allclose(GRID.px([[10, 1000, 20]]), [[123, 29]])


def test_the_ray_in_the_middle_crosses_a_box_straight():
    path = mesh_path_mm(box_mm([-20, 980, -15], [20, 1020, 15]), CUBE_TRIANGLES, GRID)
    assert path[75, 100] == pytest.approx(40)
    assert path[75, 0] == 0


def test_a_box_turned_inside_out_is_a_hole():
    box = box_mm([-20, 980, -15], [20, 1020, 15])
    hole = mesh_path_mm(box, CUBE_TRIANGLES[:, ::-1], GRID)
    np.testing.assert_allclose(hole, -mesh_path_mm(box, CUBE_TRIANGLES, GRID))


def test_resampling_keeps_a_slope():
    coarse = GRID.coarser(1.3)
    slope = coarse.u_mm[None, :] + 2 * coarse.w_mm[:, None]
    expected = GRID.u_mm[None, :] + 2 * GRID.w_mm[:, None]
    np.testing.assert_allclose(resampled(slope, coarse, GRID), expected, atol=1e-4)


# ---- by reference --------------------------------------------------------------------------------


def test_the_shadow_of_a_sphere_off_the_axis():
    # Closed form of the cone that touches a sphere; the analytic ray tracer of ITK-RTK gives the same:
    # R 24 at (20, -15), 10 mm before the plane at 1000 mm, detector at 1150 mm.
    grid = Grid(1001, 1001, 0.1, 1150.0)
    points = sphere_outline_px(np.array([20.0, 990.0, -15.0]), 24.0, grid, count=720)
    u, w = (points[:, 0] - 500) * 0.1, (500 - points[:, 1]) * 0.1
    np.testing.assert_allclose([u.mean(), w.mean()], [23.24598, -17.43449], atol=1e-5)
    radius = np.hypot(u - u.mean(), w - w.mean())
    np.testing.assert_allclose([radius.min(), radius.max()], [27.8870, 27.8959], atol=1e-4)


@pytest.mark.parametrize(
    # Point projection of the rim circle (diameter 50), source-detector 1150, source-hip 1000, an ellipse
    # fitted to the points: computed independently for this project by least squares, printed to 0.01.
    ("lateral", "proximal", "true", "apparent", "magnification"),
    [
        (0, 0, (40, 15), (40.00, 15.00), 1.150),
        (90, 0, (40, 15), (40.80, 11.66), 1.153),
        (90, 0, (45, 20), (46.05, 16.33), 1.153),
        (90, 0, (45, 5), (45.09, 1.36), 1.153),
        (100, -30, (40, 15), (40.57, 10.02), 1.152),
    ],
)
def test_the_rim_off_the_beam_axis_looks_less_anteverted(lateral, proximal, true, apparent, magnification):
    inclination, anteversion = np.radians(true)
    axis = np.array(
        [
            np.cos(anteversion) * np.sin(inclination),
            -np.sin(anteversion),
            -np.cos(anteversion) * np.cos(inclination),
        ]
    )
    _, long, short = outline_axes_mm(np.array([lateral, 1000.0, proximal]), axis, 25.0, GRID)
    # the inclination of the mouth's own line is that of its perpendicular, the axis, to the vertical
    seen_inclination = np.degrees(np.arctan(np.abs(long[1] / long[0])))
    seen_anteversion = np.degrees(np.arcsin(np.linalg.norm(short) / np.linalg.norm(long)))
    assert (seen_inclination, seen_anteversion) == pytest.approx(apparent, abs=0.006)
    assert np.linalg.norm(long) / 25 == pytest.approx(magnification, abs=6e-4)


# ---- by law --------------------------------------------------------------------------------------

shift = st.floats(-25, 25)
half = st.floats(1.0, 20.0)


@settings(max_examples=30, deadline=None)
@given(place=st.tuples(shift, shift, shift), size=st.tuples(half, half, half), seed=st.integers(0, 99))
def test_a_box_as_mesh_and_as_planes_has_the_same_paths(place, size, seed):
    # a hair off the pixels: a ray along a face is neither inside nor outside
    middle, reach = np.array(place) + np.array([0.013717, 1000, 0.021193]), np.array(size)
    order = np.random.default_rng(seed).permutation(len(CUBE_TRIANGLES))
    mesh = mesh_path_mm(box_mm(middle - reach, middle + reach), CUBE_TRIANGLES[order], GRID)
    planes = tuple(HalfSpace(middle + sign * reach, sign * row) for row in np.eye(3) for sign in (-1, 1))
    x, y = np.meshgrid(np.arange(GRID.columns), np.arange(GRID.rows))
    solid = Solid("water", planes, ()).path_mm(GRID.rays(x.ravel(), y.ravel()))
    np.testing.assert_allclose(mesh.ravel(), solid, atol=1e-6)


@settings(max_examples=20, deadline=None)
@given(
    place=st.tuples(shift, shift, shift),
    inclination=st.floats(0.2, 1.2),
    anteversion=st.floats(0.05, 0.9),
)
def test_outline_points_lie_on_the_projected_circle(place, inclination, anteversion):
    axis = np.array(
        [
            np.cos(anteversion) * np.sin(inclination),
            -np.sin(anteversion),
            -np.cos(anteversion) * np.cos(inclination),
        ]
    )
    centre = np.array(place) + np.array([0, 1000, 0])
    points = circle_outline_px(centre, axis, 26.0, GRID, count=36)
    rays = GRID.rays(points[:, 0], points[:, 1])
    on_plane = rays * ((centre @ axis) / (rays @ axis))[:, None]
    np.testing.assert_allclose(np.linalg.norm(on_plane - centre, axis=1), 26.0, atol=1e-6)
    spread = np.linalg.norm(points[:, None] - points[None], axis=2)
    assert spread.max() == pytest.approx(np.linalg.norm(points[0] - points[18]))


# ---- by recovery ---------------------------------------------------------------------------------


def test_a_meshed_ball_has_the_chords_of_a_ball():
    ball = ellipsoid(np.array([4.0, 1000.0, -3.0]), np.array([20.0, 20.0, 20.0]), 1.0)
    path = mesh_path_mm(ball.vertices_mm, ball.triangles, GRID)
    x, y = np.meshgrid(np.arange(GRID.columns), np.arange(GRID.rows))
    rays = GRID.rays(x, y) / np.linalg.norm(GRID.rays(x, y), axis=2, keepdims=True)
    miss = np.linalg.norm(np.cross(rays, [4.0, 1000.0, -3.0]), axis=2)
    chord = 2 * np.sqrt(np.maximum(20.0**2 - miss**2, 0))
    # a mesh of this fineness (28 by 14) lies up to 2 % of the radius inside the ball
    assert np.abs(path - chord)[miss < 15].max() < 0.05 * 20
    assert path.sum() == pytest.approx(chord.sum(), rel=0.03)
    assert (path >= -1e-9).all()
