"""The outline of a stem followed along its metal, and the lines along it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree
from skimage.measure import find_contours

from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.measure.line_rows import measured_lines
from cohortlib.measure.scale import FilmScale
from cohortlib.measure.stem_lines import stem_line_rows, zones_of_stem
from cohortlib.measure.stem_outline import stem_outline
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.exposure import LARGEST
from cohortlib.synthetic.film import detector, film_pixels, true_landmarks
from cohortlib.synthetic.interface import stem_interface
from cohortlib.synthetic.lucent_line import ZONE_SYSTEM
from cohortlib.synthetic.placement import scene
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe
from cohortlib.tables import MEASUREMENT_COLUMNS, ZONE_SYSTEMS

SPACING = 0.25
ANATOMY = Path(__file__).parents[2] / "synthetic_cohort" / "anatomy"
SCALE = FilmScale(0.25, 0.25, 0.01, "head")
#: A wedge with a round tip, from its shoulder to its tip [mm on the film], drawn below.
TOP, TIP, WIDTHS = np.array([40.0, -20.0]), np.array([40.0, -90.0]), (9.0, 5.0)


def drawn(*, lean=0.0, noise=2.0, contrast=150.0, seed=3):
    """A film of one bright wedge, leaning to the image's right by so many degrees, on even bone."""
    rows, columns = np.mgrid[0:440, 0:360]
    turn = np.radians(lean)
    x, y = columns * SPACING - TOP[0], -rows * SPACING - TOP[1]
    down, aside = x * np.sin(turn) - y * np.cos(turn), x * np.cos(turn) + y * np.sin(turn)
    half = WIDTHS[0] + (WIDTHS[1] - WIDTHS[0]) * np.clip(down / 65.0, 0, 1)
    body = (np.abs(aside) < half) & (down > -15) & (down < 65)
    tip = np.hypot(aside, down - 65) < WIDTHS[1]
    pixels = gaussian_filter(100 + contrast * (body | tip), 1.0)
    pixels += np.random.default_rng(seed).normal(0, noise, pixels.shape)
    return Radiograph(pixels.astype(np.float32), (SPACING, SPACING), "detector")


def along(share, lean=0.0):
    turn = np.radians(lean)
    return TOP + share * 70 * np.array([np.sin(turn), -np.cos(turn)])


def followed(film, lean=0.0, side="left"):
    marks = np.array([along(0.6, lean), along(0.9, lean)])
    return stem_outline(film, marks, along(1.0, lean), along(0.0, lean), side=side)


@cache
def simulated(design, side="left"):
    """A simulated film with one implant, its recipe and its true marks."""
    size = (48.0, 54.0, 42.0, 15.0) if design == "resurfacing" else (36.0, 54.0, 42.0, 15.0)
    recipe = FilmRecipe(implants=(ImplantRecipe(side, design, *size),), seed=12)
    anatomy = read_anatomy(ANATOMY)
    pixels = film_pixels(recipe, anatomy).astype(np.float32)
    pixels = LARGEST - pixels if recipe.photometric == "MONOCHROME1" else pixels
    film = Radiograph(pixels, (recipe.spacing_mm,) * 2, "detector")
    marks = true_landmarks(recipe, anatomy)
    return film, recipe, marks[(marks["side"] == side) & marks["visible"]]


def true_edge(film, recipe):
    interface = stem_interface(scene(recipe, read_anatomy(ANATOMY)).implants[0], detector(recipe))
    edge = max(find_contours(interface.outside_mm, 0.0), key=len)[:, ::-1]
    return film.mm(edge + np.array([interface.box[1].start, interface.box[0].start]))


# by hand


@pytest.mark.parametrize(("side", "sign"), [("left", 1.0), ("right", -1.0)])
def test_down_the_lateral_side_and_up_the_medial(side, sign):
    edge, axis = followed(drawn(), side=side)
    assert sign * (edge[0, 0] - TOP[0]) == pytest.approx(WIDTHS[0], abs=0.3)
    assert sign * (edge[-1, 0] - TOP[0]) == pytest.approx(-WIDTHS[0], abs=0.3)
    assert edge[:, 1].min() == pytest.approx(TIP[1], abs=0.2)
    assert edge[np.argmin(edge[:, 1]), 0] == pytest.approx(TIP[0], abs=0.5)
    np.testing.assert_allclose(axis[[0, -1]], [TOP, TIP], atol=1.1)


@pytest.mark.parametrize(
    ("landmarks", "system"),
    [
        (("stem_axis", "stem_tip", "stem_shoulder"), "stem_7"),
        (("stem_axis", "stem_tip", "neck_edge"), "resurfacing_stem_3"),
        (("stem_axis", "stem_tip"), ""),
        (("stem_axis", "stem_tip", "stem_shoulder", "neck_edge"), ""),
        (("stem_axis", "stem_shoulder"), ""),
        ((), ""),
    ],
)
def test_marks_tell_the_kind_of_the_component(landmarks, system):
    assert zones_of_stem(pd.DataFrame({"landmark": landmarks})) == system


# by law


@settings(max_examples=15, deadline=None)
@given(lean=st.floats(-12, 12), seed=st.integers(0, 10**6))
def test_a_leaning_stem_has_its_edges_where_they_were_drawn(lean, seed):
    edge, _ = followed(drawn(lean=lean, seed=seed), lean)
    turn = np.radians(lean)
    aside = (edge - TOP) @ [np.cos(turn), np.sin(turn)]
    down = (edge - TOP) @ [np.sin(turn), -np.cos(turn)]
    half = WIDTHS[0] + (WIDTHS[1] - WIDTHS[0]) * np.clip(down / 65.0, 0, 1)
    body = (down > 2) & (down < 62)
    assert np.abs(np.abs(aside[body]) - half[body]).max() < 0.4


def test_the_mirror_image_is_the_other_side():
    film = drawn(lean=5.0)
    flipped = replace(film, pixels=film.pixels[:, ::-1].copy())
    width = (film.pixels.shape[1] - 1) * SPACING
    marks = np.array([along(0.6, 5.0), along(0.9, 5.0)]) * [-1, 1] + [width, 0]
    ends = (along(share, 5.0) * [-1, 1] + [width, 0] for share in (1.0, 0.0))
    other = stem_outline(flipped, marks, *ends, side="right")
    np.testing.assert_allclose(other.edge_mm * [-1, 1] + [width, 0], followed(film, 5.0).edge_mm, atol=0.02)


# by recovery


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("design", ["short_stem", "resurfacing"])
def test_the_edges_of_a_simulated_stem_within_half_a_millimetre(design, side):
    film, recipe, marks = simulated(design, side)
    shaken = marks.assign(
        x_px=marks["x_px"] + np.random.default_rng(8).normal(0, 4, len(marks)),
        y_px=marks["y_px"] + np.random.default_rng(9).normal(0, 4, len(marks)),
    )
    places = {name: film.mm(part[["x_px", "y_px"]]) for name, part in shaken.groupby("landmark")}
    top = places["stem_shoulder"][0] if design == "short_stem" else places["stem_axis"][0]
    found = stem_outline(film, places["stem_axis"], places["stem_tip"][0], top, side=side)
    off, _ = cKDTree(true_edge(film, recipe)).query(found.edge_mm[3:-3])
    assert np.percentile(off, 90) < 0.5


@pytest.mark.parametrize("design", ["short_stem", "resurfacing"])
def test_a_stem_without_a_line_is_not_given_one(design):
    film, _, marks = simulated(design)
    rows = stem_line_rows(film, marks, side="left", scale=SCALE)
    ids = ["H1", "P1", "week_6", "I1", "R1", 1]
    table = measured_lines(pd.DataFrame([[*ids, *row] for row in rows], columns=list(MEASUREMENT_COLUMNS)))
    system = ZONE_SYSTEM[design]
    assert table["zone"].tolist() == list(ZONE_SYSTEMS[system].names)
    assert set(table["zone_system"]) == {system}
    assert set(table["state"]) <= {"none", "not assessable"}
    assert (table["state"] == "none").any()


# by failure


def test_where_there_is_no_metal_there_is_no_outline():
    reason = followed(drawn(contrast=0.0, noise=0.0))
    assert reason == "no edges of metal beside the marked axis"


def test_marks_without_a_length_of_stem():
    marks = np.array([along(0.6), along(0.9)])
    reason = stem_outline(drawn(), marks, along(0.78), along(0.74), side="left")
    assert "leave no length" in reason


def test_marks_in_one_place_are_said_in_every_zone():
    marks = pd.DataFrame(
        {"landmark": ["stem_axis", "stem_tip", "stem_shoulder"], "x_px": 160.0, "y_px": [200.0, 360.0, 80.0]}
    )
    rows = stem_line_rows(drawn(), marks, side="left", scale=SCALE)
    assert len(rows) == 7
    assert all("1 distinct points" in row[-1] for row in rows)


def test_a_film_without_spacing_has_rows_and_no_values():
    film = replace(drawn(), spacing_mm=None, spacing_source="none")
    marks = pd.DataFrame({"landmark": ["stem_axis", "stem_tip", "stem_shoulder"], "x_px": 1.0, "y_px": 1.0})
    assert {row[-1] for row in stem_line_rows(film, marks, side="left", scale=None)} == {"no scale"}


def test_an_unknown_side_is_refused():
    with pytest.raises(StudyError, match="'left' or 'right'"):
        followed(drawn(), side="both")
