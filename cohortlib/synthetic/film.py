"""One film from its recipe: pixels, the landmarks as they truly lie, the true pose of the cups."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cohortlib.synthetic.anatomy import Anatomy
from cohortlib.synthetic.attenuation import ENERGIES_KEV, ENERGY_SHARE, MATERIALS, SPONGIOSA_SHARE
from cohortlib.synthetic.body import body_path_mm, trabecular_texture
from cohortlib.synthetic.bone import joined
from cohortlib.synthetic.exposure import exposed, stored_values
from cohortlib.synthetic.further_landmarks import femoral_truth, further_landmarks_px
from cohortlib.synthetic.implant_shadow import implant_transmission, transmission_at
from cohortlib.synthetic.implants import implant_solids
from cohortlib.synthetic.lucency import line_exponents
from cohortlib.synthetic.outlines import circle_outline_px, sphere_outline_px
from cohortlib.synthetic.placement import Scene, scene
from cohortlib.synthetic.recipe import FilmRecipe
from cohortlib.synthetic.xray import Grid, mesh_path_mm, resampled

Array = NDArray[np.floating]
#: Landmarks and pose of one film are asked for one after the other.
_scene = lru_cache(maxsize=1)(scene)

#: Spacing of the grid on which bone and soft tissue are cast [mm at the detector].
TISSUE_MM = 0.6
#: Points on each outline; even, so that both ends of the mouth of the cup are among them.
OUTLINE_POINTS = 72
#: An outline is visible where the stored log exposure steps by this much across it.
VISIBLE_STEP = 0.25
#: What the lead of the side marker lets through.
MARKER_TRANSMISSION = 0.004


def detector(recipe: FilmRecipe) -> Grid:
    """The pixel grid of a recipe."""
    return Grid(recipe.columns, recipe.rows, recipe.spacing_mm, recipe.source_to_detector_mm)


def film_pixels(recipe: FilmRecipe, anatomy: Anatomy) -> NDArray[np.uint16]:
    """Stored pixels (rows, columns) of a film, twelve bits; the same recipe gives the same pixels."""
    placed, grid = _scene(recipe, anatomy), detector(recipe)
    coarse = grid.coarser(TISSUE_MM)
    tissue, bone_mm, spongiosa = _tissue(recipe, placed, coarse)
    lines = []
    if any(implant.lines for implant in recipe.implants):
        lines = line_exponents(
            placed, grid, *(resampled(part, coarse, grid) for part in (bone_mm, spongiosa))
        )
    shadows = [implant_transmission(implant_solids(implant), grid) for implant in placed.implants]
    primary = np.zeros((recipe.rows, recipe.columns), dtype=np.float32)
    for energy, share in enumerate(ENERGY_SHARE):
        part = np.exp(-resampled(tissue[energy], coarse, grid))
        for box, exponent in lines:
            part[box] *= np.exp(-exponent[energy])
        for box, transmission in shadows:
            part[box] *= transmission[energy]
        if recipe.side_marker:
            for box in _letter(recipe):
                part[box] *= MARKER_TRANSMISSION
        primary += np.float32(share) * part
    return stored_values(exposed(primary, recipe), recipe)


def true_landmarks(recipe: FilmRecipe, anatomy: Anatomy) -> pd.DataFrame:
    """Landmarks where they truly lie on the film.

    Returns
    -------
    DataFrame
        landmark ("teardrop" on both sides; "head_centre", "cup_centre", "head_edge", "cup_rim" of each
        implant), side, x_px, y_px, visible. "head_edge" are points on the outline of the head,
        "cup_rim" on that of the outer rim of the cup, each evenly about its ellipse; the first and the
        middle one of "cup_rim" are the two ends of the mouth. The others are explained at
        `further_landmarks.further_landmarks_px`. `visible` is False where the outline leaves no step on
        the film (hidden by metal), on the dome's half of the rim, and beyond the exposed field.
    """
    placed, grid = _scene(recipe, anatomy), detector(recipe)
    tables = [_rows("teardrop", side, grid.px(place[None])) for side, place in placed.teardrops_mm.items()]
    for implant in placed.implants:
        side, solids = implant.recipe.side, implant_solids(implant)
        centre = grid.px(implant.cup_centre_mm[None])
        head = sphere_outline_px(
            implant.cup_centre_mm, implant.recipe.head_diameter_mm / 2, grid, count=OUTLINE_POINTS
        )
        rim = circle_outline_px(
            implant.rim_centre_mm, implant.cup_axis, implant.rim_radius_mm, grid, count=OUTLINE_POINTS
        )
        quarter, to_mouth = rim[OUTLINE_POINTS // 4] - rim.mean(axis=0), implant.cup_axis[[0, 2]] * [1, -1]
        turn = 2 * np.pi * np.arange(OUTLINE_POINTS) / OUTLINE_POINTS
        mouth = np.sin(turn) * (1 if quarter @ to_mouth > 0 else -1) > -1e-9
        tables += [
            _rows("head_centre", side, centre),
            _rows("cup_centre", side, centre),
            _rows("head_edge", side, head).assign(visible=_steps(solids, head, grid)),
            _rows("cup_rim", side, rim).assign(visible=_steps(solids, rim, grid) & mouth),
        ]
    names, sides, parts = zip(*further_landmarks_px(recipe, anatomy, placed, grid), strict=True)
    counts, places = [len(part) for part in parts], np.concatenate(parts)
    further = _rows(np.repeat(names, counts), np.repeat(sides, counts), places)
    return pd.concat([*tables, further.assign(visible=_in_field(places, recipe))], ignore_index=True)


def true_pose(recipe: FilmRecipe, anatomy: Anatomy) -> pd.DataFrame:
    """True angles and places of the cups, and of the pelvis.

    Returns
    -------
    DataFrame
        side ("" for the pelvis), quantity, value, unit. "inclination", "anteversion": radiographic
        angles of the cup axis in space, to the film plane and to the perpendicular of the line between
        the teardrops as they show; a reading corrected for the beam gives these. "inclination_pelvis",
        "anteversion_pelvis": to the anterior pelvic plane. "cup_centre_x", "_y", "_z": in the film
        frame (source at 0, x to the patient's left, y to the detector, z to the head). The others are
        explained at `further_landmarks.femoral_truth`.

    References
    ----------
    Murray DW. The definition and measurement of acetabular orientation. J Bone Joint Surg Br
    1993;75:228-32.
    """
    placed, grid = _scene(recipe, anatomy), detector(recipe)
    right, left = grid.px([placed.teardrops_mm["right"], placed.teardrops_mm["left"]])
    across = (left - right) * [1, -1] / np.linalg.norm(left - right)
    rows: list[tuple[str, str, float, str]] = [
        ("", "pelvic_tilt", recipe.tilt_deg, "deg"),
        ("", "pelvic_rotation", recipe.rotation_deg, "deg"),
        ("", "pelvic_obliquity", recipe.obliquity_deg, "deg"),
    ]
    for implant in placed.implants:
        axis, side = implant.cup_axis, implant.recipe.side
        lateral = (axis[[0, 2]] @ across) * (1 if side == "left" else -1)
        caudal = axis[0] * across[1] - axis[2] * across[0]
        rows += [
            (side, "inclination", float(np.degrees(np.arctan2(lateral, caudal))), "deg"),
            (side, "anteversion", float(np.degrees(np.arcsin(-axis[1]))), "deg"),
            (side, "inclination_pelvis", implant.recipe.inclination_deg, "deg"),
            (side, "anteversion_pelvis", implant.recipe.anteversion_deg, "deg"),
        ]
        rows += [
            (side, f"cup_centre_{name}", float(value), "mm")
            for name, value in zip("xyz", implant.cup_centre_mm, strict=True)
        ]
    pose = pd.DataFrame(rows, columns=["side", "quantity", "value", "unit"])
    return pd.concat([pose, femoral_truth(recipe, anatomy, placed, grid)], ignore_index=True)


def _tissue(recipe: FilmRecipe, placed: Scene, grid: Grid) -> tuple[list[Array], Array, Array]:
    """Attenuation exponent of bone and soft tissue along each ray, by energy.

    With it the length of the ray in bone [mm], and the mineral of spongiosa over that of cortex.
    """
    skeleton = joined(placed.bones)
    outer_mm = mesh_path_mm(skeleton.vertices_mm, skeleton.triangles, grid)
    inner_mm = np.concatenate([bone.inner_mm() for bone in placed.bones])
    spongiosa_mm = np.clip(mesh_path_mm(inner_mm, skeleton.triangles, grid), 0, outer_mm)
    mineral_mm = outer_mm - spongiosa_mm
    share = SPONGIOSA_SHARE * trabecular_texture(recipe, grid)
    mineral_mm += share * spongiosa_mm
    mineral_mm *= recipe.bone_density
    body_mm = body_path_mm(recipe, grid)
    soft, bone = MATERIALS["soft tissue"], MATERIALS["cortical bone"]
    exponents: list[Array] = [
        soft.per_mm(energy) * (body_mm - mineral_mm) + bone.per_mm(energy) * mineral_mm
        for energy in range(len(ENERGIES_KEV))
    ]
    return exponents, outer_mm, share * recipe.bone_density


def _letter(recipe: FilmRecipe) -> list[tuple[slice, slice]]:
    """The two strokes of a letter L, low on the side of the patient's left."""

    def stroke(left_mm: float, top_mm: float, width_mm: float, height_mm: float) -> tuple[slice, slice]:
        x = recipe.columns + (left_mm - recipe.collimation_mm) / recipe.spacing_mm
        y = recipe.rows + (top_mm - recipe.collimation_mm) / recipe.spacing_mm
        edges = np.array([y, y + height_mm / recipe.spacing_mm, x, x + width_mm / recipe.spacing_mm])
        top, bottom, left, right = np.maximum(np.rint(edges).astype(int), 0)
        return slice(top, bottom), slice(left, right)

    return [stroke(-26.0, -62.0, 2.5, 14.0), stroke(-23.5, -50.5, 6.5, 2.5)]


def _steps(solids: list, outline_px: Array, grid: Grid) -> NDArray[np.bool_]:
    """Where the metal makes a step on the film across an outline."""
    along = np.roll(outline_px, -1, axis=0) - np.roll(outline_px, 1, axis=0)
    out = along[:, ::-1] * [1, -1] / np.linalg.norm(along, axis=1, keepdims=True)
    reach = 0.4 / grid.spacing_mm
    both = np.stack([outline_px + reach * out, outline_px - reach * out])
    through = transmission_at(solids, grid, both[..., 0], both[..., 1])
    received = np.tensordot(ENERGY_SHARE, through, axes=1) + 0.4
    return np.abs(np.log(received[0] / received[1])) > VISIBLE_STEP


def _in_field(places_px: Array, recipe: FilmRecipe) -> NDArray[np.bool_]:
    """Whether places lie in the exposed part of the film, 2 mm from its edge or more."""
    border = (recipe.collimation_mm + 2.0) / recipe.spacing_mm
    size = np.array([recipe.columns, recipe.rows])
    return np.all((places_px >= border) & (places_px <= size - 1 - border), axis=1)


def _rows(landmark: ArrayLike, side: ArrayLike, points_px: Array) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "landmark": landmark,
            "side": side,
            "x_px": points_px[:, 0],
            "y_px": points_px[:, 1],
            "visible": True,
        }
    )
