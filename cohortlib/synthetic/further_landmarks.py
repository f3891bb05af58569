"""Landmarks of femur, stem and middle of the pelvis as they truly lie on the film, and what they measure."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.synthetic.anatomy import Anatomy
from cohortlib.synthetic.bony_points import femoral_points_mm, midline_points_mm
from cohortlib.synthetic.implants import PlacedImplant, stem_outline
from cohortlib.synthetic.neck import neck_edges_px, neck_station_mm
from cohortlib.synthetic.outlines import sphere_outline_px
from cohortlib.synthetic.placement import Scene
from cohortlib.synthetic.recipe import SIDES, FilmRecipe
from cohortlib.synthetic.xray import Grid

Array = NDArray[np.floating]


def further_landmarks_px(
    recipe: FilmRecipe, anatomy: Anatomy, placed: Scene, grid: Grid
) -> list[tuple[str, str, Array]]:
    """Landmark, side and places (n, 2: x_px, y_px), of both femora, every stem and the middle.

    Notes
    -----
    "shaft_axis" and "stem_axis" are two points each, the upper one first: of a peg on its axis, of a short
    stem on the middle line of its lower third. "stem_shoulder" is the lateral edge where the body of the
    short stem begins. "neck_edge" are the upper and the lower edge of the neck below a cap. A landmark of
    the middle stands for both sides.
    """
    rows: list[tuple[str, str, Array]] = []
    for side in SIDES:
        points = femoral_points_mm(recipe, anatomy, placed, side)
        rows += [(landmark, side, grid.px(place)) for landmark, place in points.items()]
    for implant in placed.implants:
        side = implant.recipe.side
        rows += [(landmark, side, place) for landmark, place in _of_stem_px(implant, grid).items()]
        if implant.recipe.design == "resurfacing":
            rows.append(("neck_edge", side, neck_edges_px(implant, placed.femur(side), grid)))
    for landmark, place in midline_points_mm(recipe, anatomy, placed).items():
        rows += [(landmark, side, grid.px(place)) for side in SIDES]
    return rows


def femoral_truth(recipe: FilmRecipe, anatomy: Anatomy, placed: Scene, grid: Grid) -> pd.DataFrame:
    """What is true of the femoral side of each implant on one film.

    Returns
    -------
    DataFrame
        side, quantity, value, unit. "stem_shaft_angle_on_film": on the medial side, between the upper end of
        the stem's axis and the lower end of the shaft's, as they show (smaller is varus; 180 in line);
        "subsidence": the component in the femur, from where it was put; of a resurfacing
        "neck_width" (in the patient) and "neck_head_ratio" (widths on the film), "neck_narrowing" (part
        lost since the operation, as put in); "ossification": grade.
    """
    points = {
        (name, side): place for name, side, place in further_landmarks_px(recipe, anatomy, placed, grid)
    }
    rows: list[tuple[str, str, float, str]] = []
    for implant in placed.implants:
        own, side = implant.recipe, implant.recipe.side
        stem, shaft = points["stem_axis", side], points["shaft_axis", side]
        angle = _medial_angle_deg(stem[0] - stem[1], shaft[1] - shaft[0], side)
        rows += [
            (side, "stem_shaft_angle_on_film", angle, "deg"),
            (side, "subsidence", own.subsidence_mm, "mm"),
            (side, "ossification", float(own.ossification), "1"),
        ]
        if own.design == "resurfacing":
            upper, lower = points["neck_edge", side]
            width_px = float(np.linalg.norm(upper - lower))
            head = sphere_outline_px(implant.cup_centre_mm, own.head_diameter_mm / 2, grid, count=4)
            head_px = float(np.linalg.norm(head[:2] - head[2:], axis=1).mean())
            magnification = grid.source_to_detector_mm / neck_station_mm(implant)[1]
            rows += [
                (side, "neck_width", width_px * grid.spacing_mm / magnification, "mm"),
                (side, "neck_head_ratio", width_px / head_px, "1"),
                (side, "neck_narrowing", own.neck_narrowing, "1"),
            ]
    return pd.DataFrame(rows, columns=["side", "quantity", "value", "unit"])


def _medial_angle_deg(up_px: Array, down_px: Array, side: str) -> float:
    """Turn from a direction down to a direction up through the medial side, 0 to 360 [deg]."""
    medial = np.array([-1.0 if side == "left" else 1.0, -1.0])  # to (medial, up)
    up, down = up_px * medial, down_px * medial
    return float(np.degrees(np.arctan2(up[1], up[0]) - np.arctan2(down[1], down[0])) % 360)


def _of_stem_px(implant: PlacedImplant, grid: Grid) -> dict[str, Array]:
    """Landmarks of a stem or peg, by name."""
    line, radius, half = stem_outline(implant)
    shadow = grid.px(line)
    last = line[-1] - line[-2]
    tip = line[-1] + last / np.linalg.norm(last) * radius[-1]
    if implant.recipe.design == "resurfacing":
        return {"stem_axis": shadow[[0, -1]], "stem_tip": grid.px(tip[None])}
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    third = np.array([np.interp(2 / 3 * length[-1], length, part) for part in line.T])
    down = shadow[1] - shadow[0]
    aside = np.array([down[1], -down[0]]) / np.linalg.norm(down)
    lateral = 1 if implant.recipe.side == "left" else -1
    aside = aside * np.sign(aside[0]) * lateral
    reach_px = half[0] * grid.source_to_detector_mm / line[0, 1] / grid.spacing_mm
    return {
        "stem_axis": grid.px(np.array([third, line[-1]])),
        "stem_tip": grid.px(tip[None]),
        "stem_shoulder": (shadow[0] + reach_px * aside)[None],
    }
