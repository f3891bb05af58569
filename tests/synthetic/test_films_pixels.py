"""Whole films: the same seed, the mirror, the exposure, the edges."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.exposure import LARGEST, exposed, stored_values
from cohortlib.synthetic.film import film_pixels, true_landmarks
from cohortlib.synthetic.odd_films import odd_film_recipes
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe, mirrored_recipe

ANATOMY = read_anatomy(Path(__file__).parents[2] / "synthetic_cohort" / "anatomy")
CUP = ImplantRecipe("left", "resurfacing", 48.0, 54.0, inclination_deg=42.0, anteversion_deg=16.0)
STEM = ImplantRecipe("right", "short_stem", 36.0, 54.0, inclination_deg=40.0, anteversion_deg=18.0)
SMALL = FilmRecipe(5, (CUP, STEM), patient_seed=2, spacing_mm=0.6, columns=700, rows=575)
FINE = FilmRecipe(5, (CUP, STEM), patient_seed=2, quanta=0)


@pytest.fixture(scope="module")
def small() -> np.ndarray:
    return film_pixels(SMALL, ANATOMY)


@pytest.fixture(scope="module")
def fine() -> np.ndarray:
    return film_pixels(FINE, ANATOMY).astype(float)


# ---- by hand -------------------------------------------------------------------------------------


def test_a_film_has_twelve_bits_and_the_size_asked_for(small):
    assert small.dtype == np.uint16
    assert small.shape == (575, 700)
    assert small.min() == 0
    assert 0.9 * LARGEST < small.max() <= LARGEST


def test_metal_is_white_bone_is_grey_and_air_is_black(fine):
    landmarks = true_landmarks(FINE, ANATOMY)
    x, y = landmarks[landmarks["landmark"].eq("head_centre") & landmarks["side"].eq("left")][
        ["x_px", "y_px"]
    ].to_numpy()[0]
    metal = fine[round(y), round(x)]
    shaft = fine[1050, 160:330].max()  # the cortex of the right femur
    muscle = np.median(fine[1000, 400:550])
    assert metal > 0.9 * LARGEST
    assert 0.9 * metal > shaft > muscle + 400
    assert fine[-1, 700] == 0  # between the thighs
    assert fine[:, 0].max() == 0


def test_the_other_photometric_is_the_negative(small):
    negative = film_pixels(replace(SMALL, photometric="MONOCHROME1"), ANATOMY)
    np.testing.assert_array_equal(negative, LARGEST - small)


def test_exchanged_black_and_white_is_the_negative_and_flat_film_uses_the_middle(small):
    inverted = film_pixels(replace(SMALL, inverted=True), ANATOMY)
    np.testing.assert_array_equal(inverted, LARGEST - small)
    both = film_pixels(replace(SMALL, inverted=True, photometric="MONOCHROME1"), ANATOMY)
    np.testing.assert_array_equal(both, small)
    flat = film_pixels(replace(SMALL, contrast=0.4), ANATOMY)
    assert flat.min() == round(0.3 * LARGEST)
    assert flat.max() - flat.min() == pytest.approx(0.4 * (int(small.max()) - int(small.min())), abs=1)


def test_beyond_the_collimated_field_the_film_is_black():
    recipe = replace(SMALL, side_marker=False)
    whole = film_pixels(recipe, ANATOMY)
    film = film_pixels(replace(recipe, collimation_mm=30.0), ANATOMY)
    assert film[:50].max() == film[-50:].max() == film[:, :50].max() == film[:, -50:].max() == 0
    np.testing.assert_array_equal(film[50:-50, 50:-50], whole[50:-50, 50:-50])


# ---- by law --------------------------------------------------------------------------------------


def test_the_same_recipe_gives_the_same_bytes(small):
    assert film_pixels(SMALL, ANATOMY).tobytes() == small.tobytes()


def test_another_seed_gives_other_noise_and_bowel_but_the_same_bones(small):
    other = film_pixels(replace(SMALL, seed=6), ANATOMY)
    assert (other != small).mean() > 0.5
    bone = slice(300, 400), slice(560, 640)
    kept = np.corrcoef(other[bone].ravel(), small[bone].ravel())[0, 1]
    assert kept > 0.9


def test_the_mirrored_patient_has_the_mirrored_film():
    recipe = replace(
        SMALL,
        quanta=0,
        texture=0,
        side_marker=False,
        tilt_deg=4.0,
        rotation_deg=3.0,
        obliquity_deg=-2.0,
        offset_left_mm=7.0,
    )
    own = film_pixels(recipe, ANATOMY).astype(int)
    other = film_pixels(mirrored_recipe(recipe), ANATOMY.mirrored()).astype(int)
    difference = np.abs(own - other[:, ::-1])
    # implants are sampled at places that are not mirrored, along their edges
    assert (difference <= 1).mean() > 0.995
    assert difference.max() < 0.03 * LARGEST


def test_stored_values_are_linear_in_log_exposure():
    signal = np.tile(np.exp(-np.linspace(3.5, 6.0, 400)), (200, 1)).astype(np.float32)
    stored = stored_values(signal, FilmRecipe(1, columns=400, rows=200)).astype(float)[100]
    inside = (stored > 0) & (stored < LARGEST)
    steps = np.diff(stored)[inside[1:] & inside[:-1]]
    assert steps.max() - steps.min() <= 1


def test_equalisation_moves_no_edge():
    signal = np.full((400, 400), np.exp(-4.5), dtype=np.float32)
    signal[:, 200:] = np.exp(-5.6)
    signal *= np.exp(-np.linspace(0, 1, 400, dtype=np.float32))[:, None]
    found = []
    for part in (0.0, 0.5):
        recipe = FilmRecipe(1, quanta=0, equalisation=part, columns=400, rows=400)
        slope = np.gradient(stored_values(exposed(signal, recipe), recipe).astype(float), axis=1)[100:300]
        near = slope[:, 190:210]
        found.append((near * np.arange(190, 210)).sum(axis=1) / near.sum(axis=1))
    assert np.abs(found[0] - found[1]).max() < 0.05


def test_every_odd_film_differs_from_the_usual_one():
    odd = odd_film_recipes(seed=3)
    assert len(set(odd.values())) == len(odd)
    usual = film_pixels(odd.pop("usual"), ANATOMY)
    for name in ("flat", "black and white exchanged", "cup migrated", "new bone"):
        film = film_pixels(odd[name], ANATOMY)
        assert film.shape == usual.shape
        assert (film != usual).mean() > 0.01


# ---- by recovery ---------------------------------------------------------------------------------


def test_noise_is_that_of_the_quanta():
    primary = np.full((300, 300), 0.01, dtype=np.float32)
    recipe = FilmRecipe(3, quanta=40000.0, columns=300, rows=300)
    signal = exposed(primary, recipe)
    quiet = exposed(primary, replace(recipe, quanta=0))
    expected = 1 / np.sqrt(40000 * quiet[150, 150])
    assert signal[100:200, 100:200].std() / quiet[150, 150] == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_head_on_the_film_lies_where_the_landmarks_say(fine, side):
    """The steepest slope of the stored values, at the visible points of the head's outline.

    The logarithm draws the edge of an opaque body a little inwards: by a third to a half of a pixel.
    """
    landmarks = true_landmarks(FINE, ANATOMY)
    landmarks = landmarks[landmarks["side"].eq(side)].set_index("landmark")
    middle = landmarks.loc["head_centre", ["x_px", "y_px"]].to_numpy(dtype=float)
    edge = landmarks.loc["head_edge"]
    points = edge.loc[edge["visible"].to_numpy(dtype=bool), ["x_px", "y_px"]].to_numpy(dtype=float)
    assert len(points) >= 10
    out = (points - middle) / np.linalg.norm(points - middle, axis=1, keepdims=True)
    away = np.arange(-2.5, 2.51, 0.1)
    places = points[:, None] + away[None, :, None] * out[:, None]
    profile = ndimage.map_coordinates(fine, [places[..., 1], places[..., 0]], order=3)
    slope = np.abs(np.gradient(profile, axis=1))
    found = away[slope.argmax(axis=1)]
    assert -0.6 < np.median(found) <= 0
    assert np.median(np.abs(found - np.median(found))) < 0.15


def test_the_teardrop_shows_as_a_dense_line_at_its_lowest_point(fine):
    landmarks = true_landmarks(FINE, ANATOMY)
    teardrops = landmarks[landmarks["landmark"] == "teardrop"][["x_px", "y_px"]].to_numpy()
    for x, y in teardrops:
        column = fine[round(y) - 6 : round(y) + 16, round(x) - 2 : round(x) + 3].mean(axis=1)
        assert column[:7].max() > column[10:].mean() + 60
