"""A cup as a body that casts a shadow: a ball cut by the plane of its opening.

Sizes are those of the metal; the beam enlarges them. In a parallel beam they are given as they appear
on the detector.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.geometry.ellipse import Ellipse
from cohortlib.geometry.projection import circle_frame, circle_shadow, projected_points, sphere_shadow
from cohortlib.measure.cup.definitions import cup_axis

Array = NDArray[np.float64]


class Outline(NamedTuple):
    """Points along the outer outline of the shadow: place, outward direction, on the rim or the dome."""

    points: Array
    outward: Array
    on_rim: NDArray[np.bool_]


@dataclass(frozen=True)
class CupModel:
    """A cup at a place in the film's frame (x right, y up, z to the source; mm on the detector).

    Attributes
    ----------
    x, y
        Centre of the ball [mm], at the height `depth`.
    radius
        Of the ball [mm].
    inclination_deg, anteversion_deg
        Radiographic, against the film's edges [deg].
    setback
        How far the plane of the opening lies behind the centre, towards the dome [mm].
    depth
        Height of the centre above the detector [mm].
    sign
        +1 for a left hip, -1 for a right hip.
    source
        Of the beam (3,), or None.
    """

    x: float
    y: float
    radius: float
    inclination_deg: float
    anteversion_deg: float
    setback: float
    depth: float
    sign: float
    source: tuple[float, float, float] | None

    @property
    def axis(self) -> Array:
        """Unit vector out of the mouth, in the film's frame."""
        lateral, anterior, cranial = cup_axis(
            self.inclination_deg, self.anteversion_deg, given="radiographic"
        )
        return np.array([self.sign * lateral, cranial, anterior])

    @property
    def centre(self) -> Array:
        """Centre of the ball (3,)."""
        return np.array([self.x, self.y, self.depth])

    @property
    def rim_radius(self) -> float:
        """Of the circle where the plane of the opening cuts the ball [mm]."""
        return float(np.sqrt(max(self.radius**2 - self.setback**2, 1e-6)))

    @property
    def most_radius(self) -> float:
        """The largest radius with which all of the ball lies below the source, and so casts a shadow [mm]."""
        return float("inf") if self.source is None else 0.98 * (self.source[2] - self.depth)

    def dome_shadow(self) -> Ellipse:
        """Shadow of the whole ball."""
        return sphere_shadow(self.centre, self.radius, self.source)

    def rim_shadow(self) -> Ellipse:
        """Shadow of the rim."""
        return circle_shadow(self.centre - self.setback * self.axis, self.axis, self.rim_radius, self.source)

    def outline(self, spacing: float) -> Outline:
        """The outer outline of the shadow, a point every `spacing` mm.

        Notes
        -----
        A ball's point is on the outline if it touches a ray and lies on the dome; a rim point if a plane
        through its ray rests on the cup there: the ball's normal and the axis then lean to different
        sides of the ray.
        """
        n = max(48, int(2.0 * np.pi * self.radius / spacing))
        turn = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)[:, None]
        across, along = circle_frame(self.axis)
        spokes = np.cos(turn) * across + np.sin(turn) * along
        rim = self.centre - self.setback * self.axis + self.rim_radius * spokes
        rays = self._rays(rim)
        leans = ((rim - self.centre) * rays).sum(axis=1) * (rays @ self.axis)
        rim = rim[leans <= 0]
        dome = self._touching(turn)
        dome = dome[(dome - self.centre) @ self.axis <= -self.setback]
        on_rim = np.r_[np.ones(len(rim), dtype=bool), np.zeros(len(dome), dtype=bool)]
        points = projected_points(np.vstack([rim, dome]), self.source)
        return Outline(points, self._outward(points, on_rim), on_rim)

    def _touching(self, turn: Array) -> Array:
        """Points of the ball where a ray touches it."""
        toward = self._rays(self.centre[None])[0]
        across, along = circle_frame(toward)
        ring = np.cos(turn) * across + np.sin(turn) * along
        if self.source is None:
            return self.centre + self.radius * ring
        distance = float(np.linalg.norm(np.array(self.source) - self.centre))
        sine = self.radius / distance
        return self.centre + self.radius * (sine * toward + np.sqrt(1.0 - sine**2) * ring)

    def _rays(self, points: Array) -> Array:
        """Unit vectors from points (n, 3) to the source."""
        if self.source is None:
            return np.broadcast_to(np.array([0.0, 0.0, 1.0]), points.shape)
        away = np.array(self.source) - points
        return away / np.linalg.norm(away, axis=1, keepdims=True)

    def _outward(self, points: Array, on_rim: NDArray[np.bool_]) -> Array:
        """Unit normals of the shadow, away from it."""
        homogeneous = np.column_stack([points, np.ones(len(points))])
        normals = np.empty_like(points)
        for part, chosen in ((self.rim_shadow, on_rim), (self.dome_shadow, ~on_rim)):
            if chosen.any():
                normals[chosen] = (homogeneous[chosen] @ part().conic())[:, :2]
        return normals / np.linalg.norm(normals, axis=1, keepdims=True)
