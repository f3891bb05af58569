"""What the surgeon does: bone cut away for cup, cap and stem, and where the stem lies in the femur.

The femur is the left one in its own frame, with the native head centre as its origin [mm].
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cohortlib.synthetic.anatomy import Anatomy
from cohortlib.synthetic.bone import Bone, vertex_normals
from cohortlib.synthetic.implants import (
    CAP_CAVITY,
    CAP_DEPTH,
    CAP_WALL_MM,
    NECK_LENGTH_MM,
    USUAL_STEM_LENGTH_MM,
)
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe

Array = NDArray[np.floating]

#: Along the neck from the head centre, where the neck is cut for a short stem [mm].
RESECTION_MM = 36.0
#: A gap between reamed bone and cup narrower than this is closed [mm].
_SEAT_MM = 4.0
#: Further than this from the axis of the neck lies the trochanter; narrower than that is every neck [mm].
_NECK_REACH_MM, _IN_CUT_MM = 31.0, 12.0
#: Below the cap, how far a neck narrows to the full, and where it has its old width again [mm].
_NARROW_MM = (8.0, 22.0)


def reamed(hip_bone: Bone, centre_mm: Array, radius_mm: float) -> Bone:
    """A hip bone in which a cup sits: cut away where it is, brought up to it over a narrow gap."""
    inward = centre_mm - hip_bone.vertices_mm
    distance = np.linalg.norm(inward, axis=1)
    facing = np.einsum("ij,ij->i", inward, vertex_normals(hip_bone)) > 0.7 * distance
    bed = (distance < radius_mm) | (facing & (distance < radius_mm + _SEAT_MM))
    on_ball = centre_mm - inward * (radius_mm / np.maximum(distance, 1e-9))[:, None]
    return Bone(
        np.where(bed[:, None], on_ball, hip_bone.vertices_mm),
        hip_bone.triangles,
        np.where(bed, 0.5, hip_bone.cortex_mm),
    )


def prepared_femur(femur: Bone, anatomy: Anatomy, recipe: FilmRecipe, implant: ImplantRecipe) -> Bone:
    """The left femur, its head turned down for the cap or its neck cut for the stem."""
    if implant.design == "resurfacing":
        axis, head_mm = _neck_axis(implant, anatomy), implant.head_diameter_mm / 2
        turned = _turned_down(femur, axis, head_mm)
        if implant.neck_narrowing:
            return _narrowed(turned, axis, CAP_DEPTH * head_mm, implant.neck_narrowing)
        return turned
    return _resected(femur, anatomy.neck_direction)


def _turned_down(femur: Bone, axis: Array, head_mm: float) -> Bone:
    """The head fits the cavity of the cap: a cylinder about the peg under a dome."""
    along, off_axis, wide = _about(femur.vertices_mm, axis)
    cylinder_mm, dome_mm = CAP_CAVITY * head_mm, head_mm - CAP_WALL_MM
    side = (along < CAP_DEPTH * head_mm + 3) & (wide > cylinder_mm) & (wide < _NECK_REACH_MM)
    off_axis = np.where(side[:, None], off_axis * (cylinder_mm / wide)[:, None], off_axis)
    shaped = along[:, None] * axis + off_axis
    reach = np.maximum(np.linalg.norm(shaped, axis=1), 1e-9)
    top = (along < 0) & (reach > dome_mm)
    shaped = np.where(top[:, None], shaped * (dome_mm / reach)[:, None], shaped)
    return Bone(shaped, femur.triangles, np.where(side | top, 0.2, femur.cortex_mm))


def _narrowed(femur: Bone, axis: Array, cap_end_mm: float, narrowing: float) -> Bone:
    """The neck thinner below the cap, and less and less so towards its base."""
    along, off_axis, wide = _about(femur.vertices_mm, axis)
    below = along - cap_end_mm
    share = narrowing * np.interp(below, [-3, 0, *_NARROW_MM], [0, 1, 1, 0]) * (wide < _NECK_REACH_MM)
    return Bone(femur.vertices_mm - off_axis * share[:, None], femur.triangles, femur.cortex_mm)


def _resected(femur: Bone, axis: Array) -> Bone:
    """The neck is cut across: what was above lies, without volume, in the cut."""
    along, off_axis, wide = _about(femur.vertices_mm, axis)
    gone = (along < RESECTION_MM) & (wide < _NECK_REACH_MM)
    in_cut = RESECTION_MM * axis + off_axis * np.minimum(1.0, _IN_CUT_MM / wide)[:, None]
    return Bone(
        np.where(gone[:, None], in_cut, femur.vertices_mm),
        femur.triangles,
        np.where(gone, 0.0, femur.cortex_mm),
    )


def _about(points_mm: Array, axis: Array) -> tuple[Array, Array, Array]:
    """Along an axis through the origin, vector from the axis, and its length; never quite 0."""
    along = points_mm @ axis
    off_axis = points_mm - along[:, None] * axis
    return along, off_axis, np.maximum(np.linalg.norm(off_axis, axis=1), 1e-9)


def head_in_femur_mm(implant: ImplantRecipe, anatomy: Anatomy) -> Array:
    """Prosthetic head centre in the left femur's frame, whose origin is the native one [mm]."""
    if implant.design == "resurfacing":
        return implant.subsidence_mm * _neck_axis(implant, anatomy)
    start = np.array([-implant.offset_change_mm, 0.0, implant.leg_lengthening_mm])
    return start + implant.subsidence_mm * anatomy.shaft_direction


def _neck_axis(implant: ImplantRecipe, anatomy: Anatomy) -> Array:
    """Unit vector down the peg or the prosthetic neck, in the left femur's frame."""
    down = anatomy.shaft_direction
    lateral = anatomy.neck_direction - down * (anatomy.neck_direction @ down)
    lateral = lateral / np.linalg.norm(lateral)
    angle = np.radians(180 - implant.stem_shaft_angle_deg)
    return np.cos(angle) * down + np.sin(angle) * lateral


def stem_in_femur(implant: ImplantRecipe, anatomy: Anatomy, recipe: FilmRecipe) -> tuple[Array, Array]:
    """Axis of peg or prosthetic neck and centre line of a short stem, in the left femur's frame."""
    axis = _neck_axis(implant, anatomy)
    if implant.design == "resurfacing":
        return axis, np.empty((0, 3))
    head, down = head_in_femur_mm(implant, anatomy), anatomy.shaft_direction
    start = head + NECK_LENGTH_MM * axis
    on_shaft = anatomy.shaft_point_mm * recipe.size
    length_mm = implant.stem_length_mm or USUAL_STEM_LENGTH_MM["short_stem"]
    tip = on_shaft + down * ((head - on_shaft) @ down + length_mm)
    bend = 0.38 * np.linalg.norm(tip - start)
    points = np.array([start, start + bend * axis, tip - bend * down, tip])
    t = np.linspace(0, 1, 17)[:, None]
    weights = np.hstack([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3])
    return axis, weights @ points
