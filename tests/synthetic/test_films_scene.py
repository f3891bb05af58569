"""Bones and implants before the detector: anatomy, pose, true angles."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.film import detector, true_landmarks, true_pose
from cohortlib.synthetic.placement import cup_axis, scene
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe, mirrored_recipe
from cohortlib.synthetic.surgery import RESECTION_MM

FOLDER = Path(__file__).parents[2] / "synthetic_cohort" / "anatomy"
ANATOMY = read_anatomy(FOLDER)
CUP = ImplantRecipe("left", "resurfacing", 48.0, 54.0, inclination_deg=40.0, anteversion_deg=15.0)
RIGHT_STEM = ImplantRecipe("right", "short_stem", 36.0, 54.0, inclination_deg=44.0, anteversion_deg=20.0)


def pose(recipe: FilmRecipe, side: str = "left") -> dict[str, float]:
    table = true_pose(recipe, ANATOMY)
    return table[table["side"].isin([side, ""])].set_index("quantity")["value"].to_dict()


# ---- by hand -------------------------------------------------------------------------------------


def test_a_level_pelvis_shows_the_angles_of_the_cup():
    seen = pose(FilmRecipe(1, (CUP,)))
    assert (seen["inclination"], seen["anteversion"]) == pytest.approx((40, 15))


@pytest.mark.parametrize("side", ["left", "right"])
def test_medial_proximal_and_anterior_mean_the_same_on_both_sides(side):
    cup = replace(CUP, side=side, medial_mm=3.0, proximal_mm=4.0, anterior_mm=5.0)
    placed = scene(FilmRecipe(1, (cup,)), ANATOMY)
    outward = 1 if side == "left" else -1
    shift = placed.implants[0].cup_centre_mm - placed.hip_centres_mm[side]
    np.testing.assert_allclose(shift, [-3 * outward, -5, 4], atol=1e-9)


def test_turns_go_the_way_their_names_say():
    up, front = np.array([0, 0, 1.0]), np.array([0, -1.0, 0])
    anterior = scene(FilmRecipe(1, tilt_deg=10), ANATOMY).pelvis_axes @ up
    assert anterior[1] < 0  # the top leans to the source, which stands before the patient
    to_left = scene(FilmRecipe(1, rotation_deg=10), ANATOMY).pelvis_axes @ front
    assert to_left[0] > 0
    hips = scene(FilmRecipe(1, obliquity_deg=5), ANATOMY).hip_centres_mm
    assert hips["left"][2] > hips["right"][2]


def test_the_mean_bones_are_level():
    vertices = ANATOMY.hip_bone.vertices_mm
    high, low = vertices[vertices[:, 2] > 50], vertices[vertices[:, 2] < 0]
    assert high[:, 1].min() == pytest.approx(low[:, 1].min(), abs=1e-6)  # the anterior pelvic plane
    assert ANATOMY.hip_centre_mm[1:] == pytest.approx([0, 0])
    neck_shaft = np.degrees(np.arccos(-ANATOMY.neck_direction @ ANATOMY.shaft_direction))
    assert 120 < neck_shaft < 135  # common practice, no source
    head = np.linalg.norm(ANATOMY.femur.vertices_mm, axis=1)
    assert np.percentile(head[head < 24], 50) == pytest.approx(22.87, abs=0.2)  # fitted to the mesh


# ---- by reference --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    # Murray DW, J Bone Joint Surg Br 1993;75:228-32: tilting the pelvis forward by t lowers the operative
    # anteversion by t and leaves the operative inclination; turned back into radiographic angles.
    ("tilt", "inclination", "anteversion"),
    [
        (-15, 43.79, 26.20),
        (-10, 42.24, 22.54),
        (-5, 40.99, 18.80),
        (5, 39.26, 11.15),
        (10, 38.75, 7.26),
        (15, 38.46, 3.35),
    ],
)
@pytest.mark.parametrize("side", ["left", "right"])
def test_tilt_changes_the_radiographic_angles(tilt, inclination, anteversion, side):
    seen = pose(FilmRecipe(1, (replace(CUP, side=side),), tilt_deg=tilt), side)
    assert (seen["inclination"], seen["anteversion"]) == pytest.approx((inclination, anteversion), abs=0.006)


def test_the_teardrop_stands_where_textbooks_have_it():
    # common practice, no source: 25 to 40 mm medial of and 12 to 25 mm below the hip centre
    placed = scene(FilmRecipe(1), ANATOMY)
    for side, outward in (("left", 1), ("right", -1)):
        apart = placed.teardrops_mm[side] - placed.hip_centres_mm[side]
        assert 25 < -apart[0] * outward < 40
        assert 12 < -apart[2] < 25


# ---- by law --------------------------------------------------------------------------------------

RECIPES = st.builds(
    FilmRecipe,
    seed=st.just(1),
    implants=st.just((CUP, RIGHT_STEM)),
    tilt_deg=st.floats(-15, 15),
    rotation_deg=st.floats(-8, 8),
    obliquity_deg=st.floats(-8, 8),
    offset_left_mm=st.floats(-30, 30),
)


@settings(max_examples=10, deadline=None)
@given(recipe=RECIPES)
def test_a_mirrored_recipe_has_mirrored_landmarks_and_the_same_angles(recipe):
    grid = detector(recipe)
    own = true_landmarks(recipe, ANATOMY)
    other = true_landmarks(mirrored_recipe(recipe), ANATOMY)
    other["side"] = other["side"].map({"left": "right", "right": "left"})
    other["x_px"] = grid.columns - 1 - other["x_px"]
    for name in ("teardrop", "head_centre"):
        a, b = (t[t["landmark"] == name].sort_values("side")[["x_px", "y_px"]] for t in (own, other))
        np.testing.assert_allclose(a, b, atol=1e-9)
    a, b = pose(recipe, "left"), pose(mirrored_recipe(recipe), "right")
    assert a["inclination"] == pytest.approx(b["inclination"])
    assert a["anteversion"] == pytest.approx(b["anteversion"])


@settings(max_examples=20, deadline=None)
@given(obliquity=st.floats(-10, 10))
def test_obliquity_alone_does_not_change_angles_to_the_teardrop_line(obliquity):
    seen = pose(FilmRecipe(1, (CUP,), obliquity_deg=obliquity))
    assert (seen["inclination"], seen["anteversion"]) == pytest.approx((40, 15))


@settings(max_examples=20, deadline=None)
@given(inclination=st.floats(5, 85), anteversion=st.floats(-30, 50))
def test_the_axis_gives_its_angles_back(inclination, anteversion):
    axis = cup_axis(replace(CUP, inclination_deg=inclination, anteversion_deg=anteversion))
    assert np.degrees(np.arctan2(axis[0], -axis[2])) == pytest.approx(inclination)
    assert np.degrees(np.arcsin(-axis[1])) == pytest.approx(anteversion)


# ---- by recovery ---------------------------------------------------------------------------------


def test_bone_gives_way_to_metal():
    placed = scene(FilmRecipe(1, (CUP, RIGHT_STEM)), ANATOMY)
    _, left_hip, left_femur, right_hip, right_femur = placed.bones
    cup, stem = placed.implants
    for hip_bone, implant in ((left_hip, cup), (right_hip, stem)):
        distance = np.linalg.norm(hip_bone.vertices_mm - implant.cup_centre_mm, axis=1)
        assert distance.min() >= implant.recipe.cup_diameter_mm / 2 - 1e-6
    head = np.linalg.norm(left_femur.vertices_mm - cup.cup_centre_mm, axis=1)
    proximal = (left_femur.vertices_mm - cup.cup_centre_mm) @ cup.stem_axis < 0
    assert head[proximal & (head < 30)].max() < 24
    about = right_femur.vertices_mm - stem.cup_centre_mm
    near = about[np.linalg.norm(about, axis=1) < 40]
    assert (near @ (stem.stem_axis)).min() > RESECTION_MM - 8  # the native head is gone


def test_the_short_stem_moves_the_femur_as_asked():
    plain = scene(FilmRecipe(1, (RIGHT_STEM,)), ANATOMY).bones[4].vertices_mm
    longer = replace(RIGHT_STEM, leg_lengthening_mm=6.0, offset_change_mm=4.0)
    moved = scene(FilmRecipe(1, (longer,)), ANATOMY).bones[4].vertices_mm - plain
    np.testing.assert_allclose(moved.mean(axis=0)[[0, 2]], [-4 * np.cos(np.radians(5)), -6], atol=0.01)


def test_outlines_carry_the_ends_of_the_mouth_and_what_can_be_seen():
    landmarks = true_landmarks(FilmRecipe(1, (CUP, RIGHT_STEM)), ANATOMY)
    assert {"teardrop", "head_centre", "cup_centre", "head_edge", "cup_rim"} < set(landmarks["landmark"])
    for _, outline in landmarks[landmarks["landmark"].isin(["head_edge", "cup_rim"])].groupby(
        ["landmark", "side"]
    ):
        assert len(outline) >= 24
        assert 6 <= outline["visible"].sum() < len(outline) / 2
        if outline["landmark"].iloc[0] == "cup_rim":
            assert outline["visible"].iloc[[0, len(outline) // 2]].all()


# ---- by failure ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"implants": (CUP, CUP)}, "implants on one side: found 2"),
        ({"size": (1.0, 1.0, 3.0)}, "size: found 3.0"),
        ({"tilt_deg": 95.0}, "tilt_deg: found 95.0"),
        ({"source_to_hips_mm": 1140.0}, "source_to_hips_mm: found 1140.0"),
        ({"spacing_mm": 0.0}, "spacing_mm: found 0.0"),
        ({"columns": 100000}, "columns: found 100000"),
        ({"photometric": "RGB"}, "photometric: found 'RGB'"),
        ({"position": "prone"}, "position: found 'prone'"),
        ({"quanta": float("nan")}, "quanta: found nan"),
    ],
)
def test_a_film_that_cannot_be_is_refused(changes, match):
    with pytest.raises(StudyError, match=match):
        FilmRecipe(**{"seed": 1, **changes})


def test_a_missing_mesh_is_named(tmp_path):
    with pytest.raises(StudyError, match=r"pelvis\.npz: found no readable mesh"):
        read_anatomy(tmp_path)


@pytest.mark.parametrize(
    "arrays",
    [
        {"vertices_mm": np.zeros((4, 3))},
        {"vertices_mm": np.zeros((4, 2)), "triangles": np.zeros((4, 3), dtype=int)},
        {"vertices_mm": np.zeros((4, 3)), "triangles": np.full((4, 3), 9)},
        {"vertices_mm": np.zeros((0, 3)), "triangles": np.zeros((0, 3), dtype=int)},
        {"vertices_mm": np.array([object()] * 4), "triangles": np.zeros((4, 3), dtype=int)},
    ],
)
def test_a_file_that_holds_no_mesh_is_refused(tmp_path, arrays):
    np.savez(tmp_path / "pelvis.npz", **arrays)
    with pytest.raises(StudyError, match=r"pelvis\.npz"):
        read_anatomy(tmp_path)
