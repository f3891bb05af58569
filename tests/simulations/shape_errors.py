"""How far a shape on a film lies from the true one."""

from __future__ import annotations

import numpy as np

from cohortlib.geometry.circle import fit_circle
from cohortlib.geometry.ellipse import Ellipse
from cohortlib.synthetic.anatomy import Anatomy
from cohortlib.synthetic.placement import scene
from cohortlib.synthetic.recipe import FilmRecipe


def _turned(degrees: float) -> float:
    return float((degrees + 90.0) % 180.0 - 90.0)


def _ellipse(points: np.ndarray) -> Ellipse:
    """The ellipse of points evenly about it, by their moments: one seen edge-on can hardly be fitted."""
    sizes, axes = np.linalg.eigh(np.cov(points.T, bias=True))
    minor, major = np.sqrt(2.0 * np.maximum(sizes, 0.0))
    angle = np.degrees(np.arctan2(axes[1, 1], axes[0, 1]))
    return Ellipse(points.mean(axis=0), (float(major), float(minor)), float(angle))


def shape_error(landmark: str, points: np.ndarray, truth: np.ndarray) -> tuple[float, float]:
    """Distance [mm] and angle [deg] of a proposed shape from the true one, both in mm."""
    if landmark == "head_edge":
        found, true = fit_circle(points), fit_circle(truth)
        return float(max(np.linalg.norm(found.centre - true.centre), abs(found.radius - true.radius))), 0.0
    if landmark == "cup_rim":
        found, true = _ellipse(points), _ellipse(truth)
        sizes = np.abs(np.subtract(found.semi_axes, true.semi_axes)).max()
        apart = max(float(np.linalg.norm(found.centre - true.centre)), float(sizes))
        return apart, abs(_turned(found.angle_deg - true.angle_deg))
    if landmark == "teardrop":
        return float(np.linalg.norm(points[0] - truth[0])), 0.0
    ways = [np.diff(ends, axis=0)[0] for ends in (points, truth)]
    angles = [np.degrees(np.arctan2(way[1], way[0])) for way in ways]
    normal = np.array([-ways[1][1], ways[1][0]]) / np.linalg.norm(ways[1])
    # Where the found axis passes the middle of the true one, so that only the axis counts, not its ends.
    middle, way = truth.mean(axis=0), ways[0] / np.linalg.norm(ways[0])
    off = abs((points[0] + way * ((middle - points[0]) @ way) - middle) @ normal)
    return float(off), abs(_turned(float(angles[0] - angles[1])))


def true_midline(recipe: FilmRecipe, anatomy: Anatomy, side: str, ends: np.ndarray) -> np.ndarray:
    """Two places midway between the true outer outlines of a femur, at the heights of two places, all [mm].

    A line through the middles at heights between them, from the triangles of the bone itself.
    """
    femur = scene(recipe, anatomy).femur(side)
    shadow = femur.vertices_mm[:, [0, 2]] * (recipe.source_to_detector_mm / femur.vertices_mm[:, 1:2])
    corner = 0.5 * recipe.spacing_mm * np.array([recipe.columns - 1, recipe.rows - 1])
    shadow = shadow * [1, -1] + corner
    sides = np.vstack([femur.triangles[:, pair] for pair in ([0, 1], [1, 2], [2, 0])])
    first, second = shadow[sides[:, 0]], shadow[sides[:, 1]]
    heights = np.linspace(ends[0, 1], ends[1, 1], 15)
    middles = []
    for height in heights:
        across = (first[:, 1] > height) != (second[:, 1] > height)
        share = (height - first[across, 1]) / (second[across, 1] - first[across, 1])
        places = first[across, 0] + share * (second[across, 0] - first[across, 0])
        middles.append(0.5 * (places.min() + places.max()) if across.any() else np.nan)
    slope, start = np.polyfit(heights, middles, 1)
    return np.column_stack([start + slope * ends[:, 1], ends[:, 1]])
