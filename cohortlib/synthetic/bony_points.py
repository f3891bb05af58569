"""Points of bone that readers mark, where they lie on the film: trochanters, shaft, middle of the pelvis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cohortlib.synthetic.anatomy import Anatomy
from cohortlib.synthetic.placement import Scene, sized_mm, trochanter_tip_mm
from cohortlib.synthetic.recipe import FilmRecipe

Array = NDArray[np.floating]

#: Part of the mean left femur, in its own frame, in which the lesser trochanter lies [mm].
_LESSER_Z_MM = (-75.0, -48.0)
#: Where the axis of the shaft is marked: the lower point so far below the anatomy's point on the axis at
#: most, and so far inside the exposed field at least; the upper one so far above it, or higher [mm].
_LOWEST_MM, _INSIDE_MM, _SHAFT_STEP_MM, _UPPER_MM = 10.0, 12.0, 30.0, -20.0
#: Middle of the joint between sacrum and coccyx, in the pelvis frame [mm]: by eye, see `missing_bones`.
_SACROCOCCYGEAL_MM = np.array([0.0, 87.0, 8.5])
#: The upper edge of the symphysis is looked for this near to the middle [mm].
_SYMPHYSIS_MM = 7.0


def femoral_points_mm(recipe: FilmRecipe, anatomy: Anatomy, placed: Scene, side: str) -> dict[str, Array]:
    """Points (n, 3) of one femur in the film frame [mm], by landmark.

    Notes
    -----
    The trochanters are marked where their outlines stand out furthest: the highest point of the greater
    one on the film, and that point of the lesser one that lies furthest from the shaft.
    """
    native, femur = anatomy.femur.vertices_mm, placed.femur(side).vertices_mm
    below, above = _LESSER_Z_MM
    lesser = femur[(native[:, 2] > below) & (native[:, 2] < above)]
    shaft = _shaft_points_mm(recipe, anatomy, placed, side)
    lateral = 1 if side == "left" else -1
    up = np.array([shaft[0, 0] - shaft[1, 0], 0.0, shaft[0, 2] - shaft[1, 2]])
    across = np.array([up[2], 0.0, -up[0]]) * lateral  # to the lateral side, on the film
    return {
        "greater_trochanter_tip": trochanter_tip_mm(placed.femur(side), anatomy)[None],
        "lesser_trochanter": lesser[[(lesser @ across).argmin()]],
        "shaft_axis": shaft,
    }


def _shaft_points_mm(recipe: FilmRecipe, anatomy: Anatomy, placed: Scene, side: str) -> Array:
    """Two points of the axis of the shaft, the upper one first, where the film shows the shaft."""
    level = np.arange(-40.0, _LOWEST_MM + 1)
    axis = anatomy.shaft_point_mm + np.outer(level, anatomy.shaft_direction)
    points = placed.on_femur_mm(axis * recipe.size, side)
    height_mm = points[:, 2] * recipe.source_to_detector_mm / points[:, 1]
    edge_mm = recipe.collimation_mm - recipe.rows / 2 * recipe.spacing_mm
    seen = np.flatnonzero(height_mm > edge_mm + _INSIDE_MM)
    lower = level[seen[-1]] if len(seen) else _LOWEST_MM
    both = np.array([min(_UPPER_MM, lower - _SHAFT_STEP_MM), lower])
    return placed.on_femur_mm(
        (anatomy.shaft_point_mm + np.outer(both, anatomy.shaft_direction)) * recipe.size, side
    )


def midline_points_mm(recipe: FilmRecipe, anatomy: Anatomy, placed: Scene) -> dict[str, Array]:
    """Points (1, 3) of the middle of the pelvis in the film frame [mm], by landmark."""
    hip_bone = anatomy.hip_bone.vertices_mm
    near = hip_bone[hip_bone[:, 0] < _SYMPHYSIS_MM]
    top = near[near[:, 2].argmax()] * [0, 1, 1]
    own = sized_mm(np.array([top, _SACROCOCCYGEAL_MM]), recipe)
    symphysis, sacrum = placed.on_pelvis_mm(own)
    return {"symphysis_top": symphysis[None], "sacrococcygeal_joint": sacrum[None]}
