"""The true edges of implants on invented films."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.film import detector, film_pixels
from cohortlib.synthetic.placement import scene
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe
from cohortlib.synthetic.true_outlines import true_outlines
from cohortlib.tables import ZONE_SYSTEMS

ANATOMY = read_anatomy(Path(__file__).parents[2] / "synthetic_cohort" / "anatomy")
CUP = ImplantRecipe("left", "resurfacing", 48.0, 54.0, inclination_deg=42.0, anteversion_deg=16.0)
STEM = ImplantRecipe("right", "short_stem", 36.0, 54.0, inclination_deg=40.0, anteversion_deg=18.0)
QUIET = FilmRecipe(5, (CUP, STEM), quanta=0, texture=0, blur_mm=0.05, side_marker=False)
FOUND = true_outlines(QUIET, ANATOMY)


# ---- by hand -------------------------------------------------------------------------------------


def test_a_cup_and_a_stem_of_each_hip_with_their_zones():
    assert sorted((outline.side, outline.zone_system) for outline in FOUND) == [
        ("left", "cup_3"),
        ("left", "resurfacing_stem_3"),
        ("right", "cup_3"),
        ("right", "stem_7"),
    ]
    for outline in FOUND:
        assert tuple(outline.zones) == ZONE_SYSTEMS[outline.zone_system].names
        assert all(chosen.sum() > 10 for chosen in outline.zones.values())
        steps = np.diff(outline.zone)
        assert set(steps) in ({0, 1}, {0, -1})  # zone after zone, nothing beyond them


def test_no_implant_no_outline():
    assert true_outlines(replace(QUIET, implants=()), ANATOMY) == []


# ---- by law --------------------------------------------------------------------------------------


def test_magnification_is_that_of_the_cup_centre():
    grid = detector(QUIET)
    placed = {implant.recipe.side: implant for implant in scene(QUIET, ANATOMY).implants}
    for outline in FOUND:
        depth = placed[outline.side].cup_centre_mm[1]
        assert outline.magnification == pytest.approx(grid.source_to_detector_mm / depth)
        assert 1.0 < outline.magnification < 1.4


def test_steps_along_an_outline_are_even_and_less_than_two_pixels():
    for outline in FOUND:
        step = np.hypot(*np.diff(outline.edge_px, axis=0).T)
        assert step.max() < 2


# ---- by recovery ---------------------------------------------------------------------------------


def test_grey_changes_most_where_the_cup_ends():
    """Zone 1 and the dome: beside them there is bone; the film has neither noise nor texture."""
    pixels = film_pixels(QUIET, ANATOMY).astype(float)
    for outline in FOUND:
        if outline.zone_system != "cup_3":
            continue
        edge = outline.edge_px[outline.zone == 2]
        middle = outline.edge_px.mean(axis=0)
        outward = (edge - middle) / np.hypot(*(edge - middle).T)[:, None]
        away = np.arange(-6, 7)
        places = np.rint(edge[:, None] + away[None, :, None] * outward[:, None]).astype(int)
        steps = np.abs(np.diff(pixels[places[..., 1], places[..., 0]], axis=1)).mean(axis=0)
        assert abs(away[np.argmax(steps)] + 0.5) <= 1
