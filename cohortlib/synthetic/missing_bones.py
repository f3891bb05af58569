"""What the mean bones lack on a film: lower lumbar spine, coccyx, sacral foramina, teardrop.

Simple closed bodies in the pelvis frame of `anatomy` [mm], shaped and placed by eye.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cohortlib.synthetic.bone import Bone, joined

Array = NDArray[np.floating]

#: Height (z) and depth (y) of the middle of each vertebral body, its forward slope and its width.
_LUMBAR = ((10.0, 116.0, 20.0, 51.0), (2.0, 152.0, 8.0, 49.0), (-1.0, 188.0, 0.0, 47.0))
#: x, y, z and half axes of the foramina on the left.
_FORAMINA = (
    (20.0, 46.0, 81.0, 6.5, 8.5, 3.4),
    (18.0, 62.0, 63.0, 6.0, 7.5, 3.2),
    (16.0, 76.0, 46.0, 5.0, 6.0, 2.8),
    (14.0, 87.0, 31.0, 4.0, 4.0, 2.2),
)
_COCCYX = ((88.0, 2.0, 9.0, 6.0), (84.0, -9.0, 7.0, 5.0), (77.0, -18.0, 4.5, 4.5))
#: Middle of the lower edge of the left teardrop, half its width, its height and its depth.
TEARDROP_MM = np.array([54.6, 6.0, -20.5])
_TEARDROP_HALF_WIDTH_MM, _TEARDROP_HEIGHT_MM, _TEARDROP_DEPTH_MM = 3.4, 15.0, 15.0


def ring_body(rings_mm: Array, cortex_mm: float) -> Bone:
    """A closed body through rings of points (k rings, n points, 3), with flat ends.

    The points of a ring run counter-clockwise seen from the last ring.
    """
    k, n, _ = rings_mm.shape
    own = np.arange(k * n).reshape(k, n)
    after = np.roll(own, -1, axis=1)
    low, low_next = own[:-1].ravel(), after[:-1].ravel()
    high, high_next = own[1:].ravel(), after[1:].ravel()
    sides = [np.column_stack([low, low_next, high_next]), np.column_stack([low, high_next, high])]
    first, last = k * n, k * n + 1
    ends = [
        np.column_stack([np.full(n, first), after[0], own[0]]),
        np.column_stack([np.full(n, last), own[-1], after[-1]]),
    ]
    vertices = np.vstack([rings_mm.reshape(-1, 3), rings_mm[0].mean(axis=0), rings_mm[-1].mean(axis=0)])
    return Bone(vertices, np.vstack([*sides, *ends]).astype(np.int64), np.full(len(vertices), cortex_mm))


def ellipsoid(centre_mm: Array, half_axes_mm: Array, cortex_mm: float, *, slope_deg: float = 0.0) -> Bone:
    """An ellipsoid along the axes, leaning by `slope_deg` in the coronal plane (+ the left end up)."""
    latitude = np.linspace(-np.pi / 2, np.pi / 2, 15)[1:-1, None]
    longitude = np.linspace(0, 2 * np.pi, 28, endpoint=False)[None]
    unit = np.stack(
        [
            np.cos(latitude) * np.cos(longitude),
            np.cos(latitude) * np.sin(longitude),
            np.sin(latitude) + 0 * longitude,
        ],
        axis=-1,
    )
    cosine, sine = np.cos(np.radians(slope_deg)), np.sin(np.radians(slope_deg))
    turn = np.array([[cosine, 0, -sine], [0, 1, 0], [sine, 0, cosine]])
    return ring_body(unit * half_axes_mm @ turn.T + centre_mm, cortex_mm)


def axial_bones() -> Bone:
    """Lower lumbar spine, coccyx, and the sacral foramina as bodies turned inside out."""
    bodies = [part for y, z, slope, width in _LUMBAR for part in _vertebra(y, z, slope, width)]
    bodies += [
        ellipsoid(np.array([0.0, y, z]), np.array([wide, 4.5, high]), 0.9) for y, z, wide, high in _COCCYX
    ]
    for x, y, z, *half in _FORAMINA:
        for side in (-1, 1):
            hole = ellipsoid(np.array([side * x, y, z]), np.array(half), 0.25, slope_deg=-side * 20)
            bodies.append(Bone(hole.vertices_mm, hole.triangles[:, ::-1], hole.cortex_mm))
    return joined(bodies)


def teardrop() -> Bone:
    """The left teardrop: a thin trough of cortex below the floor of the acetabulum, along the beam.

    The mean mesh is too smooth to show one.
    """
    bend = np.linspace(0, -np.pi, 13)
    half, top = _TEARDROP_HALF_WIDTH_MM, _TEARDROP_HEIGHT_MM - _TEARDROP_HALF_WIDTH_MM
    wall = 1.1

    def path(radius: float) -> Array:
        limb = np.linspace(top, 0, 9)[:-1]
        lateral = np.column_stack([radius + 0.16 * limb, limb])
        bow = np.column_stack([np.cos(bend), np.sin(bend)]) * radius
        return np.vstack([lateral, bow, (lateral * [-1, 1])[::-1] + [[0.10 * x, 0] for x in limb[::-1]]])

    outline = np.vstack([path(half), path(half - wall)[::-1]])
    stations = np.linspace(-1, 1, 9) * _TEARDROP_DEPTH_MM / 2
    rings = np.stack(
        [np.column_stack([outline[:, 0], np.full(len(outline), y), outline[:, 1] + half]) for y in stations]
    )
    return ring_body(rings + TEARDROP_MM, wall / 2)


def _vertebra(y: float, z: float, slope_deg: float, width: float) -> list[Bone]:
    """Body, pedicles, transverse processes, joints and spine of one lumbar vertebra."""
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    oval = np.column_stack(
        [np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** 0.8 * width / 2, 17 * np.sin(angle)]
    )
    levels = np.linspace(-1, 1, 13)
    wall = [
        np.column_stack([oval * (1 - 0.13 * (1 - level**2)), np.full(len(oval), 13.5 * level)])
        for level in levels
    ]
    dents = [  # the end plates are hollow
        np.column_stack([oval * wide, np.full(len(oval), 13.5 - 2.8 * (1 - wide**2))])
        for wide in (0.9, 0.7, 0.45, 0.2)
    ]
    rings = np.stack([*[dent * [1, 1, -1] for dent in dents[::-1]], *wall, *dents])
    cosine, sine = np.cos(np.radians(slope_deg)), np.sin(np.radians(slope_deg))
    lean = np.array([[1, 0, 0], [0, cosine, -sine], [0, sine, cosine]])
    parts = [ring_body(rings @ lean.T + [0, y, z], 0.6)]
    for side in (-1, 1):
        parts += [
            ellipsoid(np.array([side * width * 0.31, y + 22, z + 3]), np.array([4.5, 8, 7]), 0.8),
            ellipsoid(
                np.array([side * width * 0.63, y + 24, z + 4]),
                np.array([16, 4, 5.5]),
                0.7,
                slope_deg=side * 8,
            ),
            ellipsoid(np.array([side * width * 0.27, y + 36, z - 8]), np.array([6, 7, 13]), 0.6),
        ]
    return [*parts, ellipsoid(np.array([0.0, y + 52, z - 9]), np.array([3.2, 12, 10]), 0.6)]
