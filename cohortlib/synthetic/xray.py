"""Cone-beam projection: rays from a point source through closed meshes, and what the detector makes of them.

Film frame [mm]: origin at the source, x to the patient's left, y along the beam to the detector (to
the back of the patient), z to the head. On the detector: u right (to the patient's left), w up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.floating]


@dataclass(frozen=True)
class Grid:
    """A detector grid: where its sample points lie.

    Attributes
    ----------
    columns, rows
        Number of samples.
    spacing_mm
        Between samples [mm].
    source_to_detector_mm
        Distance [mm]; the beam meets the grid in its middle.
    """

    columns: int
    rows: int
    spacing_mm: float
    source_to_detector_mm: float

    @property
    def u_mm(self) -> Array:
        """Right of the beam axis, one value a column [mm]."""
        return (np.arange(self.columns) - (self.columns - 1) / 2) * self.spacing_mm

    @property
    def w_mm(self) -> Array:
        """Above the beam axis, one value a row [mm]."""
        return ((self.rows - 1) / 2 - np.arange(self.rows)) * self.spacing_mm

    def coarser(self, spacing_mm: float) -> Grid:
        """A grid about the same beam and a little larger, with at least the given spacing [mm]."""
        ratio = max(1.0, spacing_mm / self.spacing_mm)
        columns, rows = (int(np.ceil(count / ratio)) + 2 for count in (self.columns, self.rows))
        return Grid(columns, rows, self.spacing_mm * ratio, self.source_to_detector_mm)

    def px(self, points_mm: ArrayLike) -> Array:
        """Pixel places (n, 2: x_px, y_px) of the shadows of points (n, 3) in the film frame [mm]."""
        x, y, z = np.asarray(points_mm, dtype=float).T
        scale = self.source_to_detector_mm / y
        return self.px_on_film(np.column_stack([x * scale, z * scale]))

    def px_on_film(self, places_mm: ArrayLike) -> Array:
        """Pixel places (n, 2: x_px, y_px) of places (n, 2: u, w) on the detector [mm]."""
        u, w = np.asarray(places_mm, dtype=float).T / self.spacing_mm
        return np.column_stack([(self.columns - 1) / 2 + u, (self.rows - 1) / 2 - w])

    def rays(self, x_px: ArrayLike, y_px: ArrayLike) -> Array:
        """Vectors (..., 3) from the source to pixel places, in the film frame [mm]."""
        u = (np.asarray(x_px) - (self.columns - 1) / 2) * self.spacing_mm
        w = ((self.rows - 1) / 2 - np.asarray(y_px)) * self.spacing_mm
        return np.stack(np.broadcast_arrays(u, self.source_to_detector_mm, w), axis=-1)


def mesh_path_mm(vertices_mm: Array, triangles: NDArray[np.integer], grid: Grid) -> Array:
    """Length of each ray inside a closed mesh [mm].

    Parameters
    ----------
    vertices_mm : (n, 3)
        In the film frame [mm]; all before the detector and behind the source.
    triangles : (m, 3)
        Vertex numbers, counter-clockwise seen from outside.

    Returns
    -------
    ndarray (rows, columns)
        Sum over the crossings of signed distance from the source; exact for the mesh, whatever the
        order of the triangles. A mesh turned inside out counts negative.

    Notes
    -----
    Each triangle is cut into runs of pixels row by row. The ends of a run are computed from the edge
    alone, lower vertex first, so two triangles that share an edge share its pixels without gap or
    overlap, and every ray leaves the mesh as often as it enters.
    """
    places = grid.px(vertices_mm)
    corners = vertices_mm[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    depth = np.einsum("ij,ij->i", normal, corners[:, 0])
    order = np.argsort(places[:, 1][triangles], axis=1)
    sorted_places = places[np.take_along_axis(triangles, order, axis=1)]
    low, middle, high = (sorted_places[:, k] for k in range(3))
    # a triangle is crossed by its longest edge and by one of the two others, in each of its rows
    first = np.clip(np.ceil(low[:, 1]), 0, grid.rows).astype(np.int64)
    last = np.clip(np.ceil(high[:, 1]), 0, grid.rows).astype(np.int64)
    which, row = _runs(first, last)
    row_px = row.astype(float)
    long_px = _crossing_px(low[which], high[which], row_px)
    upper = row_px < middle[which, 1]
    start, end = np.where(upper[:, None], low[which], middle[which]), middle[which]
    end = np.where(upper[:, None], end, high[which])
    short_px = _crossing_px(start, end, row_px)
    left = np.clip(np.ceil(np.minimum(long_px, short_px)), 0, grid.columns).astype(np.int64)
    right = np.clip(np.ceil(np.maximum(long_px, short_px)), 0, grid.columns).astype(np.int64)
    # 1 / (distance along the ray in units of its direction) is linear in the column
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = normal / np.abs(depth)[:, None]
    constant = slope[which, 1] * grid.source_to_detector_mm + slope[which, 2] * grid.w_mm[row]
    step = slope[which, 0]
    run, column = _runs(left, right)
    value = 1.0 / (constant[run] + step[run] * grid.u_mm[column])
    place = row[run] * grid.columns + column
    total = np.bincount(place, weights=value, minlength=grid.rows * grid.columns).astype(np.float64)
    direction_mm = np.hypot(np.hypot(grid.u_mm[None, :], grid.w_mm[:, None]), grid.source_to_detector_mm)
    return total.reshape(grid.rows, grid.columns) * direction_mm


def _runs(first: NDArray[np.int64], stop: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Every whole number in every half-open run: which run it belongs to, and the number."""
    count = np.maximum(stop - first, 0)
    which = np.repeat(np.arange(len(first)), count)
    begin = np.repeat(first - (np.cumsum(count) - count), count)
    return which, begin + np.arange(len(which))


def _crossing_px(start: Array, end: Array, row_px: Array) -> Array:
    """Column where an edge crosses a row."""
    with np.errstate(divide="ignore", invalid="ignore"):
        part = (row_px - start[:, 1]) / (end[:, 1] - start[:, 1])
    return start[:, 0] + part * (end[:, 0] - start[:, 0])


def resampled(values: Array, grid: Grid, other: Grid) -> NDArray[np.float32]:
    """Values of one grid at the places of another about the same beam, by linear interpolation.

    Beyond the edge of the first grid its outermost values go on.
    """
    out = values.astype(np.float32)
    for axis, (many, few) in enumerate(((other.rows, grid.rows), (other.columns, grid.columns))):
        place = (np.arange(many) - (many - 1) / 2) * other.spacing_mm / grid.spacing_mm + (few - 1) / 2
        index = np.clip(np.floor(place).astype(int), 0, few - 2)
        part = np.expand_dims(np.clip(place - index, 0, 1).astype(np.float32), 1 - axis)
        out = np.take(out, index, axis) * (1 - part) + np.take(out, index + 1, axis) * part
    return out
