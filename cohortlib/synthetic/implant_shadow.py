"""What an implant lets through, pixel by pixel, its edges sampled finely."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from cohortlib.synthetic.attenuation import ENERGIES_KEV, MATERIALS
from cohortlib.synthetic.solids import Solid
from cohortlib.synthetic.xray import Grid

Array = NDArray[np.floating]
Box = tuple[slice, slice]

#: Rays in a pixel where the shadow has an edge, and the step of their Fibonacci lattice, which is shifted
#: from pixel to pixel: no direction of an edge is sampled worse than another.
FINE, FINE_STEP = 55, 34
_SHIFT = (0.7549, 0.5698)
#: An edge is where the transmission differs so much from the mean of its neighbours.
EDGE = 0.005


def implant_transmission(solids: Sequence[Solid], grid: Grid) -> tuple[Box, Array]:
    """Part of the beam that gets through, relative to soft tissue in the implant's place.

    Returns
    -------
    box
        Slices (rows, columns) of the film outside which nothing is in the way.
    transmission : (energies, rows, columns)
        Mean over each pixel of the box, for each of `ENERGIES_KEV`.
    """
    boxes = [_box(solid, grid) for solid in solids]
    top, bottom, left, right = _around(boxes, grid)
    whole = transmission_at(solids, grid, *np.mgrid[top:bottom, left:right][::-1], boxes=boxes)
    if not whole.size:
        return (slice(top, bottom), slice(left, right)), whole
    bend = np.abs(whole[0] - ndimage.uniform_filter(whole[0], 3, mode="nearest"))
    rows, columns = np.nonzero(bend > EDGE)
    number = np.arange(FINE)
    shift = rows * _SHIFT[0] + columns * _SHIFT[1]
    x_px = (columns + left - 0.5)[:, None] + ((number + 0.5) / FINE + shift[:, None]) % 1
    y_px = (rows + top - 0.5)[:, None] + (number * FINE_STEP / FINE + _SHIFT[1] * shift[:, None]) % 1
    fine = transmission_at(solids, grid, x_px, y_px, boxes=boxes)
    whole[:, rows, columns] = fine.mean(axis=2)
    return (slice(top, bottom), slice(left, right)), whole


def transmission_at(
    solids: Sequence[Solid],
    grid: Grid,
    x_px: NDArray[np.number],
    y_px: NDArray[np.number],
    *,
    boxes: Sequence[tuple[float, float, float, float]] | None = None,
) -> Array:
    """Transmission (energies, *shape of x_px) of single rays through pixel places of one shape."""
    boxes = [_box(solid, grid) for solid in solids] if boxes is None else boxes
    paths = {solid.material: np.zeros(x_px.shape) for solid in solids}
    for solid, (top, bottom, left, right) in zip(solids, boxes, strict=True):
        near = (x_px >= left) & (x_px <= right) & (y_px >= top) & (y_px <= bottom)
        paths[solid.material][near] += solid.path_mm(grid.rays(x_px[near], y_px[near]))
    soft = MATERIALS["soft tissue"]
    exponent = np.zeros((len(ENERGIES_KEV), *x_px.shape))
    for material, path in paths.items():
        for energy in range(len(ENERGIES_KEV)):
            exponent[energy] += (MATERIALS[material].per_mm(energy) - soft.per_mm(energy)) * path
    return np.exp(-exponent)


def _box(solid: Solid, grid: Grid) -> tuple[float, float, float, float]:
    """Top, bottom, left and right of the shadow of a solid, with a little room [px]."""
    places = grid.px([ball.centre_mm for ball in solid.reach_mm])
    room = np.array(
        [
            [1.03 * ball.radius_mm * grid.source_to_detector_mm / ball.centre_mm[1] / grid.spacing_mm + 1]
            for ball in solid.reach_mm
        ]
    )
    (left, top), (right, bottom) = (places - room).min(axis=0), (places + room).max(axis=0)
    return float(top), float(bottom), float(left), float(right)


def _around(boxes: Sequence[tuple[float, float, float, float]], grid: Grid) -> tuple[int, int, int, int]:
    """The box about all boxes, cut to the film, as whole pixels: first and past the last."""
    top, bottom, left, right = np.array(boxes).T
    rows = np.clip([np.floor(top.min()), np.ceil(bottom.max()) + 1], 0, grid.rows).astype(int)
    columns = np.clip([np.floor(left.min()), np.ceil(right.max()) + 1], 0, grid.columns).astype(int)
    return int(rows[0]), int(rows[1]), int(columns[0]), int(columns[1])
