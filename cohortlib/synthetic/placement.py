"""Bones and implants put into the film frame: size, pose of the pelvis, legs, what the surgeon cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cohortlib.synthetic.anatomy import Anatomy
from cohortlib.synthetic.bone import MIRROR, Bone
from cohortlib.synthetic.implants import PlacedImplant
from cohortlib.synthetic.missing_bones import TEARDROP_MM
from cohortlib.synthetic.ossification import ossification_bones
from cohortlib.synthetic.recipe import SIDES, FilmRecipe, ImplantRecipe
from cohortlib.synthetic.surgery import head_in_femur_mm, prepared_femur, reamed, stem_in_femur

Array = NDArray[np.floating]

#: The edge of the pelvis above the cup, from the native left hip centre [mm], and what of the mean left
#: femur is greater trochanter, in its own frame [mm]; both by eye.
_ROOF_MM, TROCHANTER_FROM_X_MM = np.array([24.0, 2.0, 30.0]), 36.0


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything in the film frame [mm].

    Attributes
    ----------
    bones
        Sacrum, then hip bone and femur of the left and of the right, then new bone beside a hip.
    implants
        One an implanted hip.
    pelvis_axes : (3, 3)
        Columns: left, back and head of the pelvis in the film frame.
    hip_centres_mm, teardrops_mm
        Native hip centre and bottom of the teardrop by side.
    leg_axes, heads_mm
        Columns as of `pelvis_axes`, and the centre of the native head, of each femur by side.
    origin_mm : (3,)
        Origin of the pelvis frame.
    """

    bones: tuple[Bone, ...]
    implants: tuple[PlacedImplant, ...]
    pelvis_axes: Array
    hip_centres_mm: dict[str, Array]
    teardrops_mm: dict[str, Array]
    leg_axes: dict[str, Array]
    heads_mm: dict[str, Array]
    origin_mm: Array

    def femur(self, side: str) -> Bone:
        """The femur of a side."""
        return self.bones[2 + 2 * SIDES.index(side)]

    def on_pelvis_mm(self, points_mm: Array) -> Array:
        """Points (n, 3) of the pelvis frame, in the film frame."""
        return points_mm @ self.pelvis_axes.T + self.origin_mm

    def on_femur_mm(self, points_mm: Array, side: str) -> Array:
        """Points (n, 3) of the left femur's frame, on the femur of a side, in the film frame."""
        return _side(points_mm, side) @ self.leg_axes[side].T + self.heads_mm[side]


def scene(recipe: FilmRecipe, anatomy: Anatomy) -> Scene:
    """The anatomy of a recipe placed before the detector."""
    axes = pelvis_axes(recipe)
    origin = np.array([recipe.offset_left_mm, recipe.source_to_hips_mm, recipe.offset_proximal_mm])
    hip_centre, teardrop = sized_mm(np.array([anatomy.hip_centre_mm, TEARDROP_MM]), recipe)
    bones = [_placed(_sized(anatomy.sacrum, recipe), axes, origin)]
    implants, new_bones = [], []
    leg_axes, heads = {}, {}
    by_side = {implant.side: implant for implant in recipe.implants}
    for side in SIDES:
        hip_bone = _sized(anatomy.hip_bone if side == "left" else anatomy.hip_bone.mirrored(), recipe)
        femur, leg = _sized_femur(anatomy.femur, recipe), _leg_axes(recipe, side)
        implant = by_side.get(side)
        if implant is None:
            head = axes @ _side(hip_centre, side) + origin
        else:
            cup = _side(hip_centre, side) + cup_shift_mm(implant)
            hip_bone = reamed(hip_bone, cup, implant.cup_diameter_mm / 2)
            femur = prepared_femur(femur, anatomy, recipe, implant)
            placed = _placed_implant(implant, anatomy, recipe, axes @ cup + origin, axes, leg)
            implants.append(placed)
            head = placed.cup_centre_mm - leg @ _side(head_in_femur_mm(implant, anatomy), side)
        bones.append(_placed(hip_bone, axes, origin))
        femur = _placed(femur if side == "left" else femur.mirrored(), leg, head)
        bones.append(femur)
        leg_axes[side], heads[side] = leg, head
        if implant is not None and implant.ossification:
            roof = axes @ (_side(hip_centre + _ROOF_MM * recipe.size, side)) + origin
            tip = trochanter_tip_mm(femur, anatomy)
            new_bones += ossification_bones(implant.ossification, tip, roof)
    return Scene(
        bones=(*bones, *new_bones),
        implants=tuple(implants),
        pelvis_axes=axes,
        hip_centres_mm={side: axes @ _side(hip_centre, side) + origin for side in SIDES},
        teardrops_mm={side: axes @ _side(teardrop, side) + origin for side in SIDES},
        leg_axes=leg_axes,
        heads_mm=heads,
        origin_mm=origin,
    )


def pelvis_axes(recipe: FilmRecipe) -> Array:
    """Rotation (3, 3) of the pelvis into the film: first tilt, then rotation, then obliquity."""
    return _turn(1, -recipe.obliquity_deg) @ _turn(2, recipe.rotation_deg) @ _turn(0, recipe.tilt_deg)


def cup_axis(implant: ImplantRecipe) -> Array:
    """Unit vector out of the mouth of the cup in the pelvis frame.

    Notes
    -----
    Left hip: (cos A sin I, -sin A, -cos A cos I), with the radiographic inclination I and anteversion
    A; x to the left, y to the back, z to the head. The right hip is its mirror image.

    References
    ----------
    Murray DW. The definition and measurement of acetabular orientation. J Bone Joint Surg Br
    1993;75:228-32.
    """
    inclination, anteversion = np.radians([implant.inclination_deg, implant.anteversion_deg])
    left = np.array(
        [
            np.cos(anteversion) * np.sin(inclination),
            -np.sin(anteversion),
            -np.cos(anteversion) * np.cos(inclination),
        ]
    )
    return _side(left, implant.side)


def cup_shift_mm(implant: ImplantRecipe) -> Array:
    """Cup centre from the native head centre in the pelvis frame [mm]."""
    left = np.array([-implant.medial_mm, -implant.anterior_mm, implant.proximal_mm])
    return _side(left, implant.side)


def _placed_implant(
    implant: ImplantRecipe, anatomy: Anatomy, recipe: FilmRecipe, centre_mm: Array, axes: Array, leg: Array
) -> PlacedImplant:
    stem_axis, line_mm = stem_in_femur(implant, anatomy, recipe)
    from_head = _side(line_mm - head_in_femur_mm(implant, anatomy), implant.side)
    return PlacedImplant(
        recipe=implant,
        cup_centre_mm=centre_mm,
        cup_axis=axes @ cup_axis(implant),
        stem_axis=leg @ _side(stem_axis, implant.side),
        stem_line_mm=from_head @ leg.T + centre_mm,
    )


def sized_mm(points_mm: Array, recipe: FilmRecipe) -> Array:
    """Points of the mean pelvis (…, 3) in the patient's size and width of the lower pelvis."""
    below = -points_mm[..., 2] / 100 * np.where(points_mm[..., 2] < 0, 1.0, 0.5)
    sized = points_mm * recipe.size
    sized[..., 0] *= 1 + recipe.lower_pelvis_width * below
    return sized


def _sized(bone: Bone, recipe: FilmRecipe) -> Bone:
    return Bone(sized_mm(bone.vertices_mm, recipe), bone.triangles, bone.cortex_mm)


def _sized_femur(femur: Bone, recipe: FilmRecipe) -> Bone:
    return Bone(femur.vertices_mm * recipe.size, femur.triangles, femur.cortex_mm)


def _placed(bone: Bone, axes: Array, origin: Array) -> Bone:
    return Bone(bone.vertices_mm @ axes.T + origin, bone.triangles, bone.cortex_mm)


def _side(left: Array, side: str) -> Array:
    return left if side == "left" else left * MIRROR


def trochanter_tip_mm(femur: Bone, anatomy: Anatomy) -> Array:
    """Highest point of the greater trochanter of a placed femur."""
    trochanter = femur.vertices_mm[anatomy.femur.vertices_mm[:, 0] > TROCHANTER_FROM_X_MM]
    return trochanter[trochanter[:, 2].argmax()]


def _leg_axes(recipe: FilmRecipe, side: str) -> Array:
    outward = 1.0 if side == "left" else -1.0
    return _turn(1, -outward * recipe.femur_abduction_deg) @ _turn(
        2, -outward * recipe.femur_internal_rotation_deg
    )


def _turn(axis: int, angle_deg: float) -> Array:
    """Right-handed rotation (3, 3) about x, y or z."""
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    matrix = np.eye(3)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    matrix[i, i] = matrix[j, j] = cosine
    matrix[i, j], matrix[j, i] = -sine, sine
    return matrix
