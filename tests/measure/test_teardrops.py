"""The inter-teardrop line from a reader's marks and the mirror of the pelvis."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cohortlib.measure.teardrops import CLICK_SD_MM, teardrop_line
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.film import film_pixels, true_landmarks
from cohortlib.synthetic.recipe import FilmRecipe

ANATOMY = Path(__file__).parents[2] / "synthetic_cohort" / "anatomy"
SPACING_MM = 0.4
UP = np.array([0.0, 1.0])


@pytest.fixture(scope="module", params=[0.0, 3.0])
def pelvis(request):
    """Pixels and the true teardrops (right, left) [mm] of a tilted pelvis turned about its long axis."""
    recipe = FilmRecipe(
        seed=5,
        implants=(),
        obliquity_deg=2.5,
        rotation_deg=request.param,
        spacing_mm=SPACING_MM,
        columns=1050,
        rows=862,
    )
    anatomy = read_anatomy(ANATOMY)
    places = true_landmarks(recipe, anatomy)
    teardrops = places[places["landmark"] == "teardrop"].set_index("side")[["x_px", "y_px"]]
    right, left = (teardrops.loc[side].to_numpy() * [SPACING_MM, -SPACING_MM] for side in ("right", "left"))
    return film_pixels(recipe, anatomy).astype(np.float32), right, left


def line(pixels, right, left, metal=None):
    hidden = np.zeros(pixels.shape, dtype=bool) if metal is None else metal
    return teardrop_line(pixels, right, left, mm_per_px=(SPACING_MM, SPACING_MM), metal=hidden)


def slope_deg(right, left) -> float:
    return float(np.degrees(np.arctan2(*(left - right)[::-1])))


# by hand


def test_without_anything_to_see_the_marks_decide():
    blank = np.zeros((862, 1050), dtype=np.float32)
    right, left = np.array([150.0, -200.0]), np.array([280.0, -195.0])
    found = line(blank, right, left)
    assert found.method == "teardrops as marked"
    assert found.angle_deg == pytest.approx(slope_deg(right, left))
    assert found.sd_deg == pytest.approx(np.degrees(np.sqrt(2) * CLICK_SD_MM / np.hypot(130, 5)))


# by law


def test_the_mirrored_film_has_the_opposite_slope(pelvis):
    pixels, right, left = pelvis
    width = (pixels.shape[1] - 1) * SPACING_MM
    plain = line(pixels, right, left)
    mirrored = line(
        np.ascontiguousarray(pixels[:, ::-1]),
        np.array([width - left[0], left[1]]),
        np.array([width - right[0], right[1]]),
    )
    assert mirrored.angle_deg == pytest.approx(-plain.angle_deg, abs=0.05)


def test_marks_that_err_alike_change_little(pelvis):
    pixels, right, left = pelvis
    plain = line(pixels, right, left)
    moved = line(pixels, right + 2.0 * UP, left + 2.0 * UP)
    assert moved.angle_deg == pytest.approx(plain.angle_deg, abs=0.3)


# by recovery


def test_the_pixels_take_the_click_error_out(pelvis):
    pixels, right, left = pelvis
    rng = np.random.default_rng(8)
    truth = slope_deg(right, left)
    errors, clicks = [], []
    for _ in range(8):
        shaky = [right + rng.normal(0, CLICK_SD_MM, 2), left + rng.normal(0, CLICK_SD_MM, 2)]
        found = line(pixels, *shaky)
        assert found.method == "teardrops matched by mirror"
        errors.append(abs(found.angle_deg - truth))
        clicks.append(abs(slope_deg(*shaky) - truth))
    assert np.median(errors) < 0.25
    assert np.median(errors) < 0.5 * np.median(clicks)
    assert max(errors) < 3 * found.sd_deg


# by failure


def test_marks_far_from_any_teardrop_are_not_pulled_to_one(pelvis):
    pixels, right, left = pelvis
    found = line(pixels, right, left + 15.0 * UP)
    assert abs(found.angle_deg - slope_deg(right, left + 15.0 * UP)) <= 3.5 * 1.0
