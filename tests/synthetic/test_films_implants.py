"""Implants as solids: lengths, volumes, and their shadows' edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from cohortlib.errors import StudyError
from cohortlib.synthetic.attenuation import ENERGIES_KEV, MATERIALS
from cohortlib.synthetic.implant_shadow import implant_transmission
from cohortlib.synthetic.implants import CLEARANCE_MM, PlacedImplant, implant_solids
from cohortlib.synthetic.outlines import sphere_outline_px
from cohortlib.synthetic.recipe import ImplantRecipe
from cohortlib.synthetic.solids import Ball, Cone, HalfSpace, Solid
from cohortlib.synthetic.xray import Grid

FAR_MM = 1e5  # so far that rays are parallel


def parallel_volume_mm3(solids, *, half_mm=40.0, step_mm=0.25):
    """Volume of solids about (0, FAR_MM, 0), summed from the lengths of rays."""
    side = np.arange(-half_mm + step_mm / 2, half_mm, step_mm)
    x, z = np.meshgrid(side, side)
    rays = np.column_stack([x.ravel(), np.full(x.size, FAR_MM), z.ravel()])
    return sum(solid.path_mm(rays).sum() for solid in solids) * step_mm**2


def placed(**changes):
    usual = {
        "side": "left",
        "design": "resurfacing",
        "head_diameter_mm": 48.0,
        "cup_diameter_mm": 54.0,
        "inclination_deg": 40.0,
        "anteversion_deg": 15.0,
    }
    recipe = ImplantRecipe(**{**usual, **changes})
    axis = np.array([0.6, -0.48, -0.64])
    centre = np.array([0.0, FAR_MM, 0.0])
    down = np.array([0.6, 0.0, -0.8])
    line = centre + 30 * down + np.outer(np.linspace(0, 60, 13), [0.1, 0.0, -0.995])
    return PlacedImplant(recipe, centre, axis, down, line)


# ---- by hand -------------------------------------------------------------------------------------


def test_a_ray_through_the_middle_of_a_ball_is_its_diameter():
    ball = Solid("water", (Ball(np.array([0.0, 1000.0, 0.0]), 24.0),), ())
    np.testing.assert_allclose(ball.path_mm(np.array([[0, 7.0, 0], [0, 7.0, 1.0]])), [48, 0])


def test_a_plane_halves_a_ball():
    centre = np.array([0.0, 1000.0, 0.0])
    near = Solid("water", (Ball(centre, 24.0), HalfSpace(centre, np.array([0.0, 1.0, 0.0]))), ())
    assert near.path_mm(np.array([[0, 1.0, 0]])) == pytest.approx(24)


def test_a_flattened_cylinder_is_thinner_along_the_beam():
    centre, up, beam = np.array([0.0, 1000.0, 0.0]), np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
    stem = Solid("titanium", (Cone(centre, up, 10.0, 0.0, beam, 0.75),), ())
    assert stem.path_mm(np.array([[0, 1.0, 0]])) == pytest.approx(15)
    # at half its width a cylinder has the root of 3/4 of its thickness
    assert stem.path_mm(np.array([[5.0, 1000.0, 0]])) == pytest.approx(15 * np.sqrt(0.75), rel=1e-4)


def test_the_rim_of_a_resurfacing_cup_lies_behind_the_centre():
    cup = placed()
    sine, cosine = np.sin(np.radians(82)), np.cos(np.radians(82))
    assert cup.rim_radius_mm == pytest.approx(27 * sine)
    assert (cup.rim_centre_mm - cup.cup_centre_mm) @ cup.cup_axis == pytest.approx(-27 * cosine)


# ---- by reference --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    # Hubbell JH, Seltzer SM, NISTIR 5632 (1995), mass attenuation [cm²/g] at 40 and 60 keV; from memory.
    # The alloys and cortical bone of 1.85 g/cm³ have no row there.
    ("material", "table"),
    [
        ("water", (0.2683, 0.2059)),
        ("titanium", (2.214, 0.7661)),
        ("polyethylene", (0.2275, 0.1970)),
        ("ceramic", (0.529 * 0.5685 + 0.471 * 0.2585, 0.529 * 0.2778 + 0.471 * 0.1907)),  # Al2O3
    ],
)
def test_mass_attenuation(material, table):
    assert ENERGIES_KEV == (40, 60)
    assert MATERIALS[material].mass_attenuation_cm2_g == pytest.approx(table, rel=0.002)


def test_cobalt_is_opaque_and_titanium_is_not():
    # common practice, no source: a head of 30 mm lets nothing through, a stem wall of 4 mm a quarter
    assert np.exp(-30 * MATERIALS["cobalt-chrome"].per_mm(1)) < 1e-9
    assert 0.15 < np.exp(-4 * MATERIALS["titanium"].per_mm(1)) < 0.4


# ---- by law --------------------------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(low=st.floats(3, 9), high=st.floats(3, 9), length=st.floats(20, 60), turn=st.floats(-0.5, 0.5))
def test_a_frustum_has_its_volume_whichever_way_it_lies(low, high, length, turn):
    axis = np.array([np.cos(turn), 0.0, np.sin(turn)])
    start = np.array([0.0, FAR_MM, 0.0]) - length / 2 * axis
    flat = np.array([0.0, 1.0, 0.0])
    ends = HalfSpace(start, -axis), HalfSpace(start + length * axis, axis)
    frustum = Solid("titanium", (Cone(start, axis, low, (high - low) / length, flat, 0.8), *ends), ())
    expected = np.pi * length * (low**2 + low * high + high**2) / 3 * 0.8
    # ends that lie along the rays are found to half a step of them
    assert parallel_volume_mm3([frustum]) == pytest.approx(expected, rel=0.005 + 0.25 / length)


def test_the_metal_of_a_resurfacing_cup_has_the_volume_of_two_cut_balls():
    cup = placed()
    depth = cup.recipe.cup_diameter_mm / 2 * np.cos(np.radians(82))

    def below_the_mouth(radius):
        height = radius - depth
        return np.pi * height**2 * (3 * radius - height) / 3

    expected = below_the_mouth(27.0) - below_the_mouth(24.0 + CLEARANCE_MM)
    assert parallel_volume_mm3(implant_solids(cup)[:2]) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("design", ["resurfacing", "short_stem"])
def test_no_solid_reaches_out_of_its_box(design):
    implant = placed(design=design, head_diameter_mm=48.0 if design == "resurfacing" else 36.0)
    implant = PlacedImplant(
        implant.recipe,
        implant.cup_centre_mm - [0, FAR_MM - 1000, 0],
        implant.cup_axis,
        implant.stem_axis,
        implant.stem_line_mm - [0, FAR_MM - 1000, 0],
    )
    grid = Grid(250, 250, 1.2, 1150.0)
    (rows, columns), part = implant_transmission(implant_solids(implant), grid)
    y, x = np.mgrid[:250, :250]
    everywhere = np.zeros((250, 250))
    for solid in implant_solids(implant):
        path = solid.sign * solid.path_mm(grid.rays(x.ravel(), y.ravel())).reshape(250, 250)
        everywhere = np.maximum(everywhere, path)
    inside = np.zeros((250, 250), dtype=bool)
    inside[rows, columns] = (part < 1).any(axis=0)
    assert not (everywhere > 0.5)[~inside & ~ndimage.binary_dilation(inside)].any()
    assert part.min() >= 0


# ---- by recovery ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("blur_mm", "largest_px"), [(0.2, 0.07), (0.3, 0.05), (0.4, 0.05)])
def test_the_edge_of_a_disc_lies_where_the_outline_is(blur_mm, largest_px):
    """Half of the step in exposure; a blur of 0.2 mm is too sharp for the pixels to find it better."""
    grid = Grid(320, 320, 0.3, 1150.0)
    centre = np.array([6.3, 1001.7, -4.1])
    solid = Solid("cobalt-chrome", (Ball(centre, 24.0),), (Ball(centre, 24.0),))
    box, part = implant_transmission([solid], grid)
    film = np.ones((320, 320))
    film[box] = part[0]  # 40 keV; at 60 keV the rim lets a little through, 0.03 px
    film = ndimage.gaussian_filter(film, blur_mm / 0.3)
    outline = sphere_outline_px(centre, 24.0, grid, count=180)
    middle = outline.mean(axis=0)
    out = (outline - middle) / np.linalg.norm(outline - middle, axis=1, keepdims=True)
    away = np.arange(-3, 3.01, 0.05)
    places = outline[:, None] + away[None, :, None] * out[:, None]
    profile = ndimage.map_coordinates(film, [places[..., 1], places[..., 0]], order=3)
    found = np.array([np.interp(0.5, row, away) for row in profile])
    assert np.abs(found).max() < largest_px
    assert np.sqrt((found**2).mean()) < 0.025
    assert abs(found.mean()) < 0.015


# ---- by failure ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"side": "L"}, "side: found 'L'"),
        ({"design": "total"}, "design: found 'total'"),
        ({"head_diameter_mm": 0.0}, "head_diameter_mm: found 0.0"),
        ({"head_diameter_mm": float("nan")}, "head_diameter_mm: found nan"),
        ({"cup_diameter_mm": 50.0}, "cup wall"),
        ({"inclination_deg": 120.0}, "inclination_deg: found 120.0"),
        ({"medial_mm": 200.0}, "medial_mm: found 200.0"),
        ({"head_material": "wood"}, "head_material: found 'wood'"),
    ],
)
def test_an_implant_that_cannot_be_is_refused(changes, match):
    with pytest.raises(StudyError, match=match):
        placed(**changes)


def test_all_problems_are_told_at_once():
    with pytest.raises(StudyError) as caught:
        placed(side="L", inclination_deg=120.0)
    assert len(caught.value.problems) == 2
