"""Where implant and bone meet on the film: each pixel's place along and outside the edge of the metal.

Millimetres here are those of the patient, at the depth of the implant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cohortlib.synthetic.implants import PlacedImplant, stem_outline
from cohortlib.synthetic.outlines import circle_outline_px
from cohortlib.synthetic.xray import Grid

Array = NDArray[np.floating]
Box = tuple[slice, slice]

#: Last part of the length of a stem below its shoulder that is the zone of the tip (by eye: about one
#: diameter); what is left is cut into equal parts for the zones of each side.
TIP_SHARE = 1 / 8
#: How far from the edge of the metal pixels are looked at [mm].
REACH_MM = 9.0


@dataclass(frozen=True, eq=False)
class Interface:
    """Places of the pixels in a box about one interface.

    Attributes
    ----------
    box
        Slices (rows, columns) of the film.
    outside_mm : (rows, columns)
        Distance of the ray from the edge of the metal, + outside.
    radius_mm : (rows, columns)
        Half the width of the metal there, across the interface.
    deep : (rows, columns)
        Thickness along the beam over the width.
    along_mm : (rows, columns)
        Length of the interface from its first end to the point nearest to the ray.
    zone_edges_mm : (zones + 1,)
        Where the zones end, along the interface.
    """

    box: Box
    outside_mm: Array
    radius_mm: Array
    deep: Array
    along_mm: Array
    zone_edges_mm: Array


def cup_interface(placed: PlacedImplant, grid: Grid) -> Interface:
    """The interface of a cup, from the lateral end of its mouth over the dome to the medial end.

    Notes
    -----
    The three zones are equal parts of the angle about the shadow of the centre of the ball. A ray's
    distance from the centre gives how far outside the ball it passes: exact, wherever the ball lies.
    """
    centre, radius = placed.cup_centre_mm, placed.recipe.cup_diameter_mm / 2
    box, x_px, y_px = _pixels_about(grid, [centre], radius + REACH_MM)
    rays = grid.rays(x_px, y_px)
    along_ray = rays @ centre / np.linalg.norm(rays, axis=-1)
    distance = np.sqrt(np.maximum(centre @ centre - along_ray**2, 0))
    middle = grid.px(centre[None])[0]
    ends = circle_outline_px(placed.rim_centre_mm, placed.cup_axis, placed.rim_radius_mm, grid, count=2)
    lateral = 1 if placed.recipe.side == "left" else -1
    ends = ends[np.argsort(-lateral * ends[:, 0])]
    across = (ends[0] - ends[1]) * lateral
    dome = np.arctan2(-across[0], across[1])  # across the mouth, to the head

    def turned(x: Array, y: Array) -> Array:
        """Angle from the middle of the dome, + to the lateral side."""
        angle = np.arctan2(y - middle[1], x - middle[0]) - dome
        return lateral * ((angle + np.pi) % (2 * np.pi) - np.pi)

    first, last = turned(ends[:, 0], ends[:, 1])
    along = (first - turned(x_px, y_px)) * radius
    edges = np.linspace(0, (first - last) * radius, 4)
    return Interface(
        box, distance - radius, np.full_like(distance, radius), np.ones_like(distance), along, edges
    )


def stem_interface(placed: PlacedImplant, grid: Grid) -> Interface:
    """The interface of a stem or peg: down the lateral side, about the tip, up the medial side.

    Notes
    -----
    The zones follow the length from the shoulder to the end of the tip: the last `TIP_SHARE` is the zone of
    the tip, the rest of each side is cut into equal parts.
    """
    line_mm, radius_mm, half_mm = stem_outline(placed)
    box, x_px, y_px = _pixels_about(grid, line_mm, float(radius_mm.max()) + REACH_MM)
    place = grid.rays(x_px, y_px)[..., [0, 2]]
    scale = grid.source_to_detector_mm / line_mm[:, 1]
    shadow = line_mm[:, [0, 2]] * scale[:, None]
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line_mm, axis=0), axis=1))])
    nearest = np.full(x_px.shape, np.inf)
    found = {name: np.zeros(x_px.shape) for name in ("along", "lateral", "beyond", "half", "deep", "scale")}
    lateral = 1 if placed.recipe.side == "left" else -1
    deep = (radius_mm / half_mm) ** 2 * placed.flatness
    for k, (start, step) in enumerate(zip(shadow[:-1], np.diff(shadow, axis=0), strict=True)):
        size = np.linalg.norm(step)
        down = step / size
        aside = np.array([-down[1], down[0]]) * lateral
        part = (place - start) @ down / size
        ends = -np.inf if k == 0 else 0.0
        inside = np.clip(part, ends, 1.0)
        off = place - start - inside[..., None] * step
        distance = np.linalg.norm(off, axis=-1)
        closer = distance < nearest
        nearest[closer] = distance[closer]
        values = {
            "along": length[k] + inside * (length[k + 1] - length[k]),
            "lateral": off @ aside,
            "beyond": off @ down if k == len(shadow) - 2 else np.zeros(x_px.shape),
            "half": half_mm[k] + np.clip(inside, 0, 1) * (half_mm[k + 1] - half_mm[k]),
            "deep": np.full(x_px.shape, deep[k]),
            "scale": scale[k] + np.clip(inside, 0, 1) * (scale[k + 1] - scale[k]),
        }
        for name, value in values.items():
            found[name][closer] = value[closer]
    end, tip = length[-1], half_mm[-1]
    about = np.arctan2(np.maximum(found["beyond"], 0), found["lateral"])
    whole = 2 * end + np.pi * tip
    along = np.where(found["lateral"] >= 0, found["along"], whole - found["along"])
    along = np.where(found["along"] >= end, end + tip * about, along)
    zones = {"short_stem": 3, "resurfacing": 1}[placed.recipe.design]
    side = np.linspace(0, (end + tip) * (1 - TIP_SHARE), zones + 1)
    edges = np.concatenate([side, whole - side[::-1]])
    outside = nearest / found["scale"] - found["half"]
    return Interface(box, outside, found["half"], found["deep"], along, edges)


def _pixels_about(grid: Grid, points_mm: Array | list[Array], reach_mm: float) -> tuple[Box, Array, Array]:
    """A box of pixels about points, and the places of its pixels."""
    points = np.asarray(points_mm)
    places = grid.px(points)
    room = (reach_mm * grid.source_to_detector_mm / points[:, 1].min() + 1) / grid.spacing_mm
    left, top = np.floor(places.min(axis=0) - room).astype(int)
    right, bottom = np.ceil(places.max(axis=0) + room).astype(int)
    rows = slice(int(np.clip(top, 0, grid.rows)), int(np.clip(bottom, 0, grid.rows)))
    columns = slice(int(np.clip(left, 0, grid.columns)), int(np.clip(right, 0, grid.columns)))
    y_px, x_px = np.mgrid[rows, columns].astype(float)
    return (rows, columns), x_px, y_px
