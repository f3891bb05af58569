"""Zones about cup, stem and peg: which point lies in which, for either side."""

from __future__ import annotations

from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.figures.zone_outlines import draw_zones
from cohortlib.geometry.polygon import Zone, inside_polygon
from cohortlib.image import Radiograph
from cohortlib.measure.zones import acetabular_zones, femoral_zones, resurfacing_zones, zone_of, zone_pixels
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.film import detector
from cohortlib.synthetic.implants import stem_outline
from cohortlib.synthetic.interface import cup_interface, stem_interface
from cohortlib.synthetic.outlines import circle_outline_px, sphere_outline_px
from cohortlib.synthetic.placement import scene
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe
from cohortlib.tables import ZONE_SYSTEMS

ANATOMY = Path(__file__).parents[2] / "synthetic_cohort" / "anatomy"
FLIP = np.array([1.0, -1.0])


def flat_cup(side="left"):
    return acetabular_zones((0, 0), 27, [(27, 0), (-27, 0)], side=side)


# by hand


def test_thirds_of_a_cup_that_opens_downwards():
    places = [(20, 5), (0, 28), (-20, 5), (0, -20), (0, 60)]
    assert zone_of(flat_cup(), places).tolist() == ["1", "2", "3", "", ""]
    assert zone_of(flat_cup("right"), places).tolist() == ["3", "2", "1", "", ""]


def test_seven_zones_of_a_straight_stem():
    zones = femoral_zones([(0, 0), (0, -80)], side="left")
    places = [
        (8, -5),
        (8, -30),
        (8, -60),
        (0, -79),
        (-8, -60),
        (-8, -30),
        (-8, -5),
        (8, -75),
        (0, 30),
        (50, -30),
    ]
    assert zone_of(zones, places).tolist() == ["1", "2", "3", "4", "5", "6", "7", "4", "", ""]


def test_three_zones_of_a_peg():
    zones = resurfacing_zones([(0, 0), (30, -30)], side="left")
    assert zone_of(zones, [(20, -8), (30, -30), (8, -20)]).tolist() == ["1", "2", "3"]


def test_shoulder_and_tip_set_the_levels():
    axis = [(0, -50), (0, -70)]
    zones = femoral_zones(axis, side="left", shoulder_mm=(9, 0), tip_mm=(1, -80))
    whole = femoral_zones([(0, 0), (0, -80)], side="left")
    for one, other in zip(zones, whole, strict=True):
        assert one.middle_mm == pytest.approx(other.middle_mm, abs=1e-6)
    shorter = femoral_zones([(0, 20), (0, -100)], side="left", shoulder_mm=(9, 0), tip_mm=(1, -80))
    assert shorter[3].middle_mm == pytest.approx(whole[3].middle_mm, abs=1e-6)


def test_the_middle_of_a_square():
    square = Zone("cup_3", "1", np.array([(0, 0), (2, 0), (2, 2), (0, 2)], dtype=float))
    assert square.middle_mm == pytest.approx((1, 1))


# by reference: names and numbers of zones are those of the dictionary


@pytest.mark.parametrize(
    ("system", "zones"),
    [
        ("cup_3", flat_cup()),
        ("stem_7", femoral_zones([(0, 0), (0, -80)], side="left")),
        ("resurfacing_stem_3", resurfacing_zones([(0, 0), (30, -30)], side="left")),
    ],
)
def test_names(system, zones):
    assert tuple(zone.name for zone in zones) == ZONE_SYSTEMS[system].names
    assert {zone.system for zone in zones} == {system}


# by law


@given(st.floats(-30, 60), st.floats(0, 30))
@settings(max_examples=40, deadline=None)
def test_a_mirrored_hip_has_mirrored_zones(slope_deg, bend):
    turn = np.radians(slope_deg)
    ends = 27 * np.array([[np.cos(turn), np.sin(turn)], [-np.cos(turn), -np.sin(turn)]])
    mirror = np.array([-1.0, 1.0])
    axis = np.array([(0.0, 0.0), (bend / 4, -30.0), (bend, -70.0)])
    pairs = [
        (
            acetabular_zones((1, 2), 27, ends, side="left"),
            acetabular_zones((-1, 2), 27, ends * mirror, side="right"),
        ),
        (femoral_zones(axis, side="left"), femoral_zones(axis * mirror, side="right")),
        (resurfacing_zones(axis, side="left"), resurfacing_zones(axis * mirror, side="right")),
    ]
    for left, right in pairs:
        for one, other in zip(left, right, strict=True):
            np.testing.assert_allclose(other.polygon_mm, one.polygon_mm * mirror, atol=1e-9)


@given(st.floats(-5, 5), st.floats(0.5, 2), st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_a_turned_and_enlarged_film_has_the_same_zones(turn_deg, size, seed):
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    moved = size * np.array([[c, s], [-s, c]])
    axis = np.array([(0.0, 0.0), (2.0, -30.0), (8.0, -70.0)])
    opening = np.array([(22.0, 15.0), (-20.0, -17.0)])
    places = np.random.default_rng(seed).uniform(-60, 60, (200, 2))
    for plain, turned in (
        (femoral_zones(axis, side="left"), femoral_zones(axis @ moved, side="left", reach_mm=20 * size)),
        (
            acetabular_zones((0, 0), 27, opening, side="left"),
            acetabular_zones((0, 0), 27 * size, opening @ moved, side="left", reach_mm=10 * size),
        ),
    ):
        assert zone_of(turned, places @ moved).tolist() == zone_of(plain, places).tolist()


@given(st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_no_point_is_in_two_zones(seed):
    places = np.random.default_rng(seed).uniform(-60, 60, (300, 2))
    for zones in (flat_cup(), femoral_zones([(0, 30), (3, 0), (10, -40)], side="left")):
        times = sum(inside_polygon(zone.polygon_mm, places).astype(int) for zone in zones)
        assert times.max() <= 1


def test_pixels_and_points_agree():
    film = Radiograph(np.zeros((200, 160), dtype=np.float32), (0.5, 0.4), "detector")
    zones = acetabular_zones((32, -50), 20, [(50, -40), (14, -60)], side="left", reach_mm=8)
    y, x = np.mgrid[:200, :160]
    names = zone_of(zones, film.mm(np.column_stack([x.ravel(), y.ravel()]))).reshape(x.shape)
    for name, mask in zone_pixels(zones, film).items():
        assert (mask != (names == name)).mean() < 1e-3  # rounding on an edge alone
        assert mask.any()


# by recovery: the generator's own zones, drawn otherwise


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("design", ["short_stem", "resurfacing"])
def test_zones_of_a_made_film(side, design):
    sizes = (36, 52) if design == "short_stem" else (48, 54)
    implant = ImplantRecipe(side, design, *sizes, inclination_deg=42, anteversion_deg=15)
    recipe = FilmRecipe(seed=3, implants=(implant,))
    anatomy = read_anatomy(ANATOMY)
    placed, grid = scene(recipe, anatomy).implants[0], detector(recipe)
    ball = sphere_outline_px(placed.cup_centre_mm, placed.recipe.cup_diameter_mm / 2, grid, count=40)
    ends = circle_outline_px(placed.rim_centre_mm, placed.cup_axis, placed.rim_radius_mm, grid, count=200)
    apart = np.linalg.norm(ends[:, None] - ends[None], axis=2)
    ends = ends[list(np.unravel_index(apart.argmax(), apart.shape))]
    centre, radius = ball.mean(axis=0), np.linalg.norm(ball - ball.mean(axis=0), axis=1).mean()
    cup = acetabular_zones(centre * FLIP, radius, ends * FLIP, side=side, reach_mm=20)
    line = grid.px(stem_outline(placed)[0]) * FLIP
    tip = line[-1] + (line[-1] - line[-2]) / np.linalg.norm(line[-1] - line[-2]) * _tip_px(placed, grid)
    draw = femoral_zones if design == "short_stem" else resurfacing_zones
    stem = draw(line, side=side, tip_mm=tip, reach_mm=70 if design == "short_stem" else 45)
    for zones, truth in ((cup, cup_interface(placed, grid)), (stem, stem_interface(placed, grid))):
        rows, columns = truth.box
        y, x = np.mgrid[rows, columns]
        near = (truth.outside_mm > 0.3) & (truth.outside_mm < 3)
        near &= (truth.along_mm > truth.zone_edges_mm[0] + 1) & (truth.along_mm < truth.zone_edges_mm[-1] - 1)
        number = np.searchsorted(truth.zone_edges_mm, truth.along_mm[near])
        to_edge = np.abs(truth.along_mm[near][:, None] - truth.zone_edges_mm[None]).min(axis=1)
        names = zone_of(zones, np.column_stack([x[near], -y[near]]))
        clear = to_edge > 3.0
        assert clear.sum() > 200
        assert (names[clear] == number[clear].astype(str)).mean() > 0.97


def _tip_px(placed, grid):
    line, radius, _ = stem_outline(placed)
    return radius[-1] * grid.source_to_detector_mm / line[-1, 1] / grid.spacing_mm


def test_one_drawing_of_the_same_corners():
    film = Radiograph(np.zeros((200, 160), dtype=np.float32), (0.5, 0.4), "detector")
    figure, axes = plt.subplots()
    entries = draw_zones(axes, flat_cup(), place=film.px)
    assert [patch.get_xy().shape[1] for patch in axes.patches] == [2, 2, 2]
    np.testing.assert_allclose(axes.patches[0].get_xy()[:-1], film.px(flat_cup()[0].polygon_mm))
    assert [text.get_text() for text in axes.texts] == ["1", "2", "3"]
    assert entries[0][1] == "zones 1 to 3 (cup_3)"
    plt.close(figure)


# by failure


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: acetabular_zones((0, 0), 0, [(1, 0), (-1, 0)], side="left"), "sizes above 0 mm"),
        (lambda: acetabular_zones((0, 0), 27, [(1, 0), (1, 0)], side="left"), "at least 2 for the opening"),
        (lambda: flat_cup("middle"), "Expected 'left' or 'right'"),
        (lambda: femoral_zones([(0, 0)], side="left"), "at least 2 for an axis"),
        (lambda: femoral_zones([(0, 0), (0, -80)], side="left", tip_mm=(0, 30)), "a shoulder above a tip"),
        (lambda: draw_zones(plt.figure().add_subplot(), []), "found no zones"),
        (
            lambda: draw_zones(
                plt.figure().add_subplot(), [*flat_cup(), *femoral_zones([(0, 0), (0, -9)], side="left")]
            ),
            "Expected zones of one system",
        ),
    ],
)
def test_wrong_zones_are_refused(call, match):
    with pytest.raises(StudyError, match=match):
        call()
    plt.close("all")
