"""Radiolucent lines on whole films: where they lie, how wide they are, in which zone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.exposure import LARGEST
from cohortlib.synthetic.film import detector, film_pixels, true_landmarks
from cohortlib.synthetic.implant_shadow import transmission_at
from cohortlib.synthetic.implants import implant_solids
from cohortlib.synthetic.interface import TIP_SHARE, cup_interface, stem_interface
from cohortlib.synthetic.lucent_line import ZONE_SYSTEM, ZONES, LucentLine
from cohortlib.synthetic.placement import scene
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe, mirrored_recipe
from cohortlib.tables.zones import ZONE_SYSTEMS

ANATOMY = read_anatomy(Path(__file__).parents[2] / "synthetic_cohort" / "anatomy")
CUP = ImplantRecipe("left", "resurfacing", 48.0, 54.0, inclination_deg=42.0, anteversion_deg=16.0)
STEM = ImplantRecipe("right", "short_stem", 36.0, 54.0, inclination_deg=40.0, anteversion_deg=18.0)
QUIET = FilmRecipe(5, (CUP, STEM), quanta=0, texture=0, blur_mm=0.05, side_marker=False)


def whole(design, width_mm, sclerosis_mm=0.5):
    """A line in every zone of an implant."""
    lines = [LucentLine("cup", zone, width_mm, sclerosis_mm=sclerosis_mm) for zone in (1, 2, 3)]
    zones = range(1, ZONES[design] + 1)
    return (*lines, *(LucentLine("stem", zone, width_mm, sclerosis_mm=sclerosis_mm) for zone in zones))


def lined(recipe, width_mm):
    implants = (replace(implant, lines=whole(implant.design, width_mm)) for implant in recipe.implants)
    return replace(recipe, implants=tuple(implants))


def interfaces(recipe):
    """(design, interface name, Interface) of every implant."""
    placed, grid = scene(recipe, ANATOMY), detector(recipe)
    for implant in placed.implants:
        yield implant.recipe.design, "cup", cup_interface(implant, grid)
        yield implant.recipe.design, "stem", stem_interface(implant, grid)


def width_in_zone_mm(pixels, interface, zone, longest_mm):
    """From the edge of the metal to the steepest rise, in the middle of a zone."""
    first, last = interface.zone_edges_mm[zone - 1 : zone + 1]
    part = (interface.along_mm - first) / (last - first)
    away = np.arange(-1.5, longest_mm + 2, 0.1)
    middle = (part > 0.3) & (part < 0.7)
    number = np.digitize(interface.outside_mm[middle], away)
    values = pixels[interface.box][middle].astype(float)
    total = np.bincount(number, values, len(away) + 1)[1:-1]
    count = np.bincount(number, minlength=len(away) + 1)[1:-1]
    profile, place = total / np.maximum(count, 1), away[:-1] + 0.05
    slope = np.where(count > 0, np.gradient(profile), 0)
    return place[np.where((place > 0.3) & (place < longest_mm + 1), slope, 0).argmax()]


# ---- by hand -------------------------------------------------------------------------------------


def test_the_zones_of_a_cup_are_thirds_of_the_arc_between_the_ends_of_its_mouth():
    for design, name, interface in interfaces(QUIET):
        if name == "cup":
            lengths = np.diff(interface.zone_edges_mm)
            arc_deg = 164 if design == "resurfacing" else 180
            assert np.ptp(lengths) < 1e-9
            assert lengths.sum() == pytest.approx(np.radians(arc_deg) * 27, rel=0.01)


def test_the_last_eighth_of_a_stem_is_the_zone_of_its_tip():
    for design, name, interface in interfaces(QUIET):
        if name == "stem":
            lengths = np.diff(interface.zone_edges_mm)
            tip = len(lengths) // 2
            assert len(lengths) == ZONES[design]
            side = lengths[:tip].sum()
            assert lengths[tip + 1 :].sum() == pytest.approx(side)
            straight = side * TIP_SHARE / (1 - TIP_SHARE)
            assert 2 * straight < lengths[tip] < 2 * straight + 5  # and the round end


@pytest.mark.parametrize("recipe", [QUIET, mirrored_recipe(QUIET)])
def test_zone_1_is_lateral_and_the_last_one_medial(recipe):
    landmarks = true_landmarks(recipe, ANATOMY)
    for implant in scene(recipe, ANATOMY).implants:
        outward = 1 if implant.recipe.side == "left" else -1
        head = landmarks[landmarks["landmark"].eq("head_centre") & landmarks["side"].eq(implant.recipe.side)]
        for of in (cup_interface, stem_interface):
            interface = of(implant, detector(recipe))
            columns = np.arange(interface.box[1].start, interface.box[1].stop) - head["x_px"].iloc[0]
            x = np.broadcast_to(columns * outward, interface.along_mm.shape)
            at_edge = np.abs(interface.outside_mm) < 0.3
            edges, along = interface.zone_edges_mm, interface.along_mm
            first = x[at_edge & (along > edges[0]) & (along < edges[1])].mean()
            last = x[at_edge & (along > edges[-2]) & (along < edges[-1])].mean()
            assert first > last


def test_a_film_without_lines_is_what_it_was():
    small = replace(QUIET, spacing_mm=0.6, columns=700, rows=575)
    none = replace(small, implants=(replace(CUP, lines=()), STEM))
    assert film_pixels(none, ANATOMY).tobytes() == film_pixels(small, ANATOMY).tobytes()


# ---- by reference --------------------------------------------------------------------------------


def test_zone_systems_are_those_of_the_dictionary():
    """Source: cohortlib.tables.zones, which names the publications."""
    for kind, system in ZONE_SYSTEM.items():
        assert ZONE_SYSTEMS[system].zones == ZONES[kind]


# ---- by law --------------------------------------------------------------------------------------


def test_lines_only_change_what_lies_about_the_implant():
    recipe = replace(QUIET, spacing_mm=0.6, columns=700, rows=575, contrast=1.0)
    before, after = (film_pixels(film, ANATOMY).astype(float) for film in (recipe, lined(recipe, 2.0)))
    far = np.ones(before.shape, dtype=bool)
    for _, _, interface in interfaces(recipe):
        far[interface.box] = False
    # scatter and the automatic range change by a trace everywhere
    assert np.abs(after - before)[far].max() < 0.02 * LARGEST
    assert (before - after)[~far].max() > 0.05 * LARGEST


@settings(max_examples=6, deadline=None)
@given(width=st.floats(0.5, 3), zone=st.integers(1, 3))
def test_the_mirrored_patient_has_the_mirrored_line(width, zone):
    recipe = FilmRecipe(
        5,
        (replace(CUP, lines=(LucentLine("cup", zone, width), LucentLine("stem", zone, width, 0.5))),),
        quanta=0,
        texture=0,
        side_marker=False,
        spacing_mm=0.8,
        columns=500,
        rows=400,
    )
    own = film_pixels(recipe, ANATOMY).astype(int)
    other = film_pixels(mirrored_recipe(recipe), ANATOMY.mirrored()).astype(int)
    assert (np.abs(own - other[:, ::-1]) <= 1).mean() > 0.995


# ---- by recovery ---------------------------------------------------------------------------------


@pytest.mark.parametrize("width_mm", [1.0, 2.0])
def test_the_width_on_the_film_is_the_true_one_in_every_zone(width_mm):
    """In millimetres of the patient, to two thirds of a pixel."""
    recipe = lined(replace(QUIET, spacing_mm=0.25, columns=1680, rows=1380), width_mm)
    pixels = film_pixels(recipe, ANATOMY)
    for design, name, interface in interfaces(recipe):
        for zone in range(1, len(interface.zone_edges_mm)):
            if (name, zone) == ("cup", 3):
                continue  # the teardrop and the brim of the pelvis cross it
            found = width_in_zone_mm(pixels, interface, zone, width_mm)
            assert found == pytest.approx(width_mm, abs=0.16), (design, name, zone)


def test_the_interface_begins_where_the_metal_ends():
    """Rays through the solids themselves: opaque inside, free outside, to a fifth of a pixel."""
    grid = detector(QUIET)
    for implant in scene(QUIET, ANATOMY).implants:
        for of in (cup_interface, stem_interface):
            interface = of(implant, grid)
            y, x = np.mgrid[interface.box]
            first, last = interface.zone_edges_mm[[0, -1]]
            along = interface.along_mm
            near = (np.abs(interface.outside_mm) < 2) & (along > first + 3) & (along < last - 3)
            through = transmission_at(implant_solids(implant), grid, x[near] + 0.0, y[near] + 0.0)[1]
            away = interface.outside_mm[near]
            assert away[through < 0.999].max() < 0.06
            assert away[through >= 0.999].min() > -0.06


# ---- by failure ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "match"),
    [
        (("neck", 1, 1.0), "interface: found 'neck'"),
        (("cup", 0, 1.0), "zone: found 0"),
        (("cup", 1, 0.0), "width_mm: found 0.0"),
        (("cup", 1, float("nan")), "width_mm: found nan"),
        (("cup", 1, 1.0, 0.0), "extent: found 0.0"),
        (("cup", 1, 1.0, 0.8, 0.4), "start and extent: found 1.2"),
        (("cup", 1, 1.0, 1.0, 0.0, 9.0), "sclerosis_mm: found 9.0"),
    ],
)
def test_a_line_that_cannot_be_is_refused(facts, match):
    with pytest.raises(StudyError, match=match):
        LucentLine(*facts)


@pytest.mark.parametrize(
    ("lines", "match"),
    [
        ((LucentLine("stem", 4, 1.0),), "zone about the stem: found 4"),
        ((LucentLine("cup", 4, 1.0),), "zone about the cup: found 4"),
        ((LucentLine("cup", 1, 1.0), LucentLine("cup", 1, 2.0)), "lines in one zone: found 2"),
    ],
)
def test_lines_that_the_implant_cannot_have_are_refused(lines, match):
    with pytest.raises(StudyError, match=match):
        replace(CUP, lines=lines)
