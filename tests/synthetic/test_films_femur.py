"""The femoral side on films: stems that sink, necks that narrow, new bone, and the landmarks of all that."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.film import detector, film_pixels, true_landmarks, true_pose
from cohortlib.synthetic.further_landmarks import _medial_angle_deg
from cohortlib.synthetic.further_marks import FURTHER
from cohortlib.synthetic.neck import _part_about_zero
from cohortlib.synthetic.ossification import ossification_bones
from cohortlib.synthetic.placement import scene
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe, mirrored_recipe
from cohortlib.tables import LANDMARKS

ANATOMY = read_anatomy(Path(__file__).parents[2] / "synthetic_cohort" / "anatomy")
CUP = ImplantRecipe("left", "resurfacing", 48.0, 54.0, inclination_deg=42.0, anteversion_deg=16.0)
STEM = ImplantRecipe("right", "short_stem", 36.0, 54.0, inclination_deg=40.0, anteversion_deg=18.0)
FILM = FilmRecipe(5, (CUP, STEM))


def with_implants(recipe, **changes):
    return replace(recipe, implants=tuple(replace(implant, **changes) for implant in recipe.implants))


def place(landmarks, name, side):
    rows = landmarks[landmarks["landmark"].eq(name) & landmarks["side"].eq(side)]
    return rows[["x_px", "y_px"]].to_numpy()


def truth(recipe, side):
    table = true_pose(recipe, ANATOMY)
    return table[table["side"] == side].set_index("quantity")["value"].to_dict()


# ---- by hand -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("up", "down", "side", "angle"),
    [
        ((-1, -1), (0, 1), "left", 135),
        ((1, -1), (0, 1), "right", 135),
        ((0, -1), (0, 1), "left", 180),
        ((1, -10), (0, 1), "left", 185.71),
    ],
)
def test_the_angle_of_stem_and_shaft_is_taken_on_the_medial_side(up, down, side, angle):
    assert _medial_angle_deg(np.array(up), np.array(down), side) == pytest.approx(angle, abs=0.01)


def test_the_part_of_a_shadow_about_zero():
    low, high = np.array([-9.0, -3.0, -1.0, 6.0]), np.array([-5.0, 0.0, 4.0, 9.0])
    assert _part_about_zero(low, high) == (-3.0, 4.0)
    assert _part_about_zero(np.array([2.0, 7.0]), np.array([3.0, 9.0])) == (2.0, 3.0)


def test_a_stem_that_sinks_goes_down_the_shaft_and_the_head_stays_in_the_cup():
    before, after = (
        true_landmarks(FILM, ANATOMY),
        true_landmarks(with_implants(FILM, subsidence_mm=5), ANATOMY),
    )
    scale = FILM.spacing_mm * FILM.source_to_hips_mm / FILM.source_to_detector_mm
    centre = [place(points, "head_centre", "right") for points in (before, after)]
    np.testing.assert_allclose(centre[0], centre[1], atol=1e-9)
    below = []
    for points in (before, after):
        shaft = place(points, "shaft_axis", "right")
        down = (shaft[1] - shaft[0]) / np.linalg.norm(shaft[1] - shaft[0])
        away = place(points, "stem_shoulder", "right") - place(points, "greater_trochanter_tip", "right")
        below.append((away @ down)[0] * scale)
    # the stem does not lie at the depth of the hips, nor the shaft in the plane of the film
    assert below[1] - below[0] == pytest.approx(5.0, abs=0.15)


def test_a_resurfacing_sinks_along_its_peg():
    before, after = (
        scene(film, ANATOMY).heads_mm["left"] for film in (FILM, with_implants(FILM, subsidence_mm=3))
    )
    axis = scene(FILM, ANATOMY).implants[0].stem_axis
    np.testing.assert_allclose(before - after, 3 * axis, atol=1e-9)


def test_islands_and_spurs_leave_the_gap_of_their_grade():
    start, end = np.array([40.0, 1000.0, 0.0]), np.array([20.0, 1000.0, 40.0])
    along = (end - start) / np.linalg.norm(end - start)
    for grade, least, greatest in ((2, 10, 14), (3, 0, 10), (4, -20, 0)):
        low, high = (bone.vertices_mm @ along for bone in ossification_bones(grade, start, end))
        assert least <= high.min() - low.max() <= greatest
    assert ossification_bones(0, start, end) == []


# ---- by reference --------------------------------------------------------------------------------


def test_every_landmark_is_in_the_dictionary():
    """Source: cohortlib.tables.LANDMARKS."""
    names = set(true_landmarks(FILM, ANATOMY)["landmark"])
    assert set(FURTHER) <= set(LANDMARKS) & names
    assert names - {"head_centre", "cup_centre"} <= set(LANDMARKS)


def test_the_peg_stands_to_the_shaft_as_the_recipe_says():
    """Without rotation of the leg the film shows the angle: common geometry, half a degree of cone beam."""
    recipe = replace(FILM, femur_internal_rotation_deg=6.7)  # turns the neck into the plane of the film
    assert truth(recipe, "left")["stem_shaft_angle_on_film"] == pytest.approx(135, abs=1.0)


def test_neck_and_head_have_the_usual_proportion():
    """Neck over component at the junction after the operation: common practice, no source."""
    assert 0.7 < truth(FILM, "left")["neck_head_ratio"] < 0.95


# ---- by law --------------------------------------------------------------------------------------


@settings(max_examples=10, deadline=None)
@given(tilt=st.floats(-8, 8), turn=st.floats(-10, 20), abduction=st.floats(-4, 4), sunk=st.floats(0, 6))
def test_the_mirrored_patient_has_the_mirrored_landmarks(tilt, turn, abduction, sunk):
    recipe = with_implants(
        replace(FILM, tilt_deg=tilt, femur_internal_rotation_deg=turn, femur_abduction_deg=abduction),
        subsidence_mm=sunk,
    )
    own, other = true_landmarks(recipe, ANATOMY), true_landmarks(mirrored_recipe(recipe), ANATOMY)
    width = detector(recipe).columns - 1
    for name in FURTHER:
        for side, across in (("left", "right"), ("right", "left")):
            mirrored = place(other, name, across) * [-1, 1] + [width, 0]
            np.testing.assert_allclose(mirrored, place(own, name, side), atol=1e-6)
    assert truth(recipe, "left")["stem_shaft_angle_on_film"] == pytest.approx(
        truth(mirrored_recipe(recipe), "right")["stem_shaft_angle_on_film"]
    )


@settings(max_examples=10, deadline=None)
@given(narrowing=st.floats(0.01, 0.35))
def test_a_neck_that_narrows_loses_about_that_part(narrowing):
    before = truth(FILM, "left")["neck_head_ratio"]
    after = truth(replace(FILM, implants=(replace(CUP, neck_narrowing=narrowing),)), "left")[
        "neck_head_ratio"
    ]
    assert 1 - after / before == pytest.approx(narrowing, rel=0.15, abs=0.01)


# ---- by recovery ---------------------------------------------------------------------------------


def test_the_edges_of_the_neck_show_where_the_landmarks_say():
    """A step from bone to soft tissue, within a millimetre of each edge, outwards along the line of both."""
    recipe = replace(FILM, quanta=0, texture=0)
    pixels = film_pixels(recipe, ANATOMY).astype(float)
    upper, lower = place(true_landmarks(recipe, ANATOMY), "neck_edge", "left")
    out = (upper - lower) / np.linalg.norm(upper - lower)
    for edge, sign in ((upper, 1), (lower, -1)):
        steps = np.array([edge + sign * away * out for away in np.arange(-9, 9.1)])
        values = pixels[np.rint(steps[:, 1]).astype(int), np.rint(steps[:, 0]).astype(int)]
        assert values[:6].mean() > values[-5:].mean() + 60


def test_new_bone_makes_a_shadow_beside_the_hip():
    recipe = replace(FILM, spacing_mm=0.6, columns=700, rows=575, quanta=0, texture=0)
    before = film_pixels(recipe, ANATOMY).astype(float)
    after = film_pixels(with_implants(recipe, ossification=3), ANATOMY).astype(float)
    rows, columns = np.nonzero(after - before > 100)
    tips = [place(true_landmarks(recipe, ANATOMY), "greater_trochanter_tip", s)[0] for s in ("left", "right")]
    near = [np.hypot(columns - x, rows - y) * 0.6 < 60 for x, y in tips]
    assert near[0].sum() > 100
    assert near[1].sum() > 100
    assert (near[0] | near[1]).all()


# ---- by failure ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("implant", "changes", "match"),
    [
        (CUP, {"subsidence_mm": -1.0}, "subsidence_mm: found -1.0"),
        (CUP, {"subsidence_mm": 50.0}, "subsidence_mm: found 50.0"),
        (CUP, {"neck_narrowing": 0.9}, "neck_narrowing: found 0.9"),
        (STEM, {"neck_narrowing": 0.1}, "neck_narrowing: found 0.1"),
        (CUP, {"ossification": 5}, "ossification: found 5"),
    ],
)
def test_what_cannot_happen_is_refused(implant, changes, match):
    with pytest.raises(StudyError, match=match):
        replace(implant, **changes)
