"""The neck of a resurfaced femur below the cap: where its two edges fall on the film."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cohortlib.synthetic.bone import Bone
from cohortlib.synthetic.implants import CAP_DEPTH, PlacedImplant
from cohortlib.synthetic.xray import Grid

Array = NDArray[np.floating]

#: The neck's width is taken so far below the open end of the cap [mm].
NECK_STATION_MM = 4.0


def neck_station_mm(placed: PlacedImplant) -> Array:
    """Point (3,) on the axis of the peg at which the width of the neck is taken, in the film frame."""
    below = CAP_DEPTH * placed.recipe.head_diameter_mm / 2 + NECK_STATION_MM
    return placed.cup_centre_mm + below * placed.stem_axis


def neck_edges_px(placed: PlacedImplant, femur: Bone, grid: Grid) -> Array:
    """Upper and lower edge of the neck (2, 2: x_px, y_px) on the line across the peg at its station.

    Notes
    -----
    The shadow of the mesh on that line is the union of the shadows of its triangles; the edges are the
    ends of the part of it that the axis of the peg runs through. No pixel is looked at.
    """
    station = neck_station_mm(placed)
    middle, further = grid.px(np.array([station, station + 10 * placed.stem_axis]))
    along = (further - middle) / np.linalg.norm(further - middle)
    up = np.array([along[1], -along[0]]) * np.sign(along[0])
    places = grid.px(femur.vertices_mm) - middle
    ahead, height = places @ along, places @ up
    start, end = femur.triangles, np.roll(femur.triangles, -1, axis=1)
    crosses = (ahead[start] >= 0) != (ahead[end] >= 0)
    rate = ahead[end] - ahead[start]
    part = np.where(crosses, -ahead[start] / np.where(crosses, rate, 1.0), 0.0)
    level = height[start] + part * (height[end] - height[start])
    hit = crosses.any(axis=1)
    low = np.where(crosses, level, np.inf).min(axis=1)[hit]
    high = np.where(crosses, level, -np.inf).max(axis=1)[hit]
    lower, upper = _part_about_zero(low, high)
    return middle + np.outer([upper, lower], up)


def _part_about_zero(low: Array, high: Array) -> tuple[float, float]:
    """The ends of the connected part of a union of intervals that holds 0, or lies nearest to it."""
    order = np.argsort(low)
    low, reach = low[order], np.maximum.accumulate(high[order])
    begins = np.flatnonzero(np.concatenate([[True], low[1:] > reach[:-1]]))
    stops = np.concatenate([begins[1:] - 1, [len(low) - 1]])
    away = np.maximum(np.maximum(low[begins], -reach[stops]), 0)
    chosen = int(away.argmin())
    return float(low[begins[chosen]]), float(reach[stops[chosen]])
