"""Solids that a ray can be cut with exactly: balls, cones and planes.

A solid is the common part of convex surfaces, added or taken away; the length of a ray in it is the
length between the last entry and the first exit. Rays start at the origin, the source of the beam.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]
Interval = tuple[Array, Array]


@dataclass(frozen=True, eq=False)
class Ball:
    """All points within `radius_mm` of `centre_mm`; flattened along `flat` as a `Cone` is."""

    centre_mm: Array
    radius_mm: float
    flat: Array | None = None
    flatness: float = 1.0

    def interval(self, rays: Array) -> Interval:
        """Entry and exit along each ray (n, 3), in lengths of its vector; entry > exit is a miss."""
        centre = self.centre_mm
        if self.flat is not None:
            rays, centre = (
                _stretched(rays, self.flat, self.flatness),
                _stretched(centre, self.flat, self.flatness),
            )
        a = np.einsum("ij,ij->i", rays, rays)
        return _between_roots(a, rays @ centre, float(centre @ centre) - self.radius_mm**2)


@dataclass(frozen=True, eq=False)
class HalfSpace:
    """All points on the side of the plane through `point_mm` that `outward` turns its back on."""

    point_mm: Array
    outward: Array

    def interval(self, rays: Array) -> Interval:
        """Entry and exit along each ray, as `Ball.interval`."""
        rate, level = rays @ self.outward, float(self.point_mm @ self.outward)
        along = rate == 0  # never crosses the plane: all inside, or all outside
        place = level / np.where(along, 1.0, rate)
        always = along & (level >= 0)
        entry = np.where(rate < 0, place, np.where(along & ~always, np.inf, -np.inf))
        return entry, np.where((rate < 0) | always, np.inf, np.where(along, -np.inf, place))


@dataclass(frozen=True, eq=False)
class Cone:
    """All points in a cone (or cylinder) without ends, flattened along `flat`; to be cut by planes.

    Attributes
    ----------
    point_mm, axis
        On the axis, and its unit direction.
    radius_mm, slope
        Radius at the point, and its growth for each mm along the axis; the side on which the radius
        would be negative must be cut away by planes.
    flat, flatness
        Unit direction across the axis, and thickness along it over the width.
    """

    point_mm: Array
    axis: Array
    radius_mm: float
    slope: float
    flat: Array
    flatness: float = 1.0

    def interval(self, rays: Array) -> Interval:
        """Entry and exit along each ray, as `Ball.interval`; rays must cross the axis, not run along it."""
        if self.flatness != 1:
            rays = _stretched(rays, self.flat, self.flatness)
        start = -_stretched(self.point_mm, self.flat, self.flatness)
        along, begin = rays @ self.axis, start @ self.axis
        radius = self.radius_mm + self.slope * begin
        a = np.einsum("ij,ij->i", rays, rays) - (1 + self.slope**2) * along**2
        b = rays @ start - along * begin - self.slope * along * radius
        return _between_roots(a, -b, float(start @ start - begin**2 - radius**2))


@dataclass(frozen=True, eq=False)
class Solid:
    """The common part of convex surfaces, of one material.

    Attributes
    ----------
    material
        One of `attenuation.MATERIALS`.
    surfaces
        Balls, cones, half-spaces.
    reach_mm
        Balls (centre, radius) whose shadows hide that of the solid between them.
    sign
        -1 takes it away.
    """

    material: str
    surfaces: tuple[Ball | HalfSpace | Cone, ...]
    reach_mm: tuple[Ball, ...]
    sign: float = 1.0

    def path_mm(self, rays: Array) -> Array:
        """Length (n,) of each ray (n, 3) inside the solid [mm]."""
        entry, leave = self.surfaces[0].interval(rays)
        for surface in self.surfaces[1:]:
            first, last = surface.interval(rays)
            entry, leave = np.maximum(entry, first), np.minimum(leave, last)
        length = np.sqrt(np.einsum("ij,ij->i", rays, rays))
        return self.sign * np.maximum(leave - entry, 0.0) * length


def _stretched(vectors: Array, flat: Array, flatness: float) -> Array:
    """Vectors (…, 3) in the space where a body flattened along `flat` is round."""
    return vectors + (1 / flatness - 1) * (vectors @ flat)[..., None] * flat


def _between_roots(a: Array, b: Array, c: float) -> Interval:
    """Where a t² - 2 b t + c <= 0, for a > 0; nowhere gives entry > exit."""
    square = b * b - a * c
    root = np.sqrt(np.maximum(square, 0.0))
    return np.where(square >= 0, (b - root) / a, np.inf), np.where(square >= 0, (b + root) / a, -np.inf)
