"""Bone: a closed mesh with the thickness of its cortex."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]
#: Turns left into right.
MIRROR = np.array([-1.0, 1.0, 1.0])


@dataclass(frozen=True, eq=False)
class Bone:
    """A closed mesh with the thickness of its cortex.

    Attributes
    ----------
    vertices_mm : (n, 3)
        Outer surface [mm].
    triangles : (m, 3)
        Counter-clockwise seen from outside; the other way round makes a hole.
    cortex_mm : (n,)
        Thickness under each vertex [mm].
    """

    vertices_mm: Array
    triangles: NDArray[np.int64]
    cortex_mm: Array

    def mirrored(self) -> Bone:
        """The bone of the other side."""
        return Bone(self.vertices_mm * MIRROR, self.triangles[:, ::-1], self.cortex_mm)

    def inner_mm(self) -> Array:
        """Vertices of the inner surface of the cortex (n, 3) [mm]."""
        return self.vertices_mm - vertex_normals(self) * self.cortex_mm[:, None]


def vertex_normals(bone: Bone) -> Array:
    """Outward unit normals (n, 3) of a mesh, the mean of the triangles about each vertex by area."""
    corners = bone.vertices_mm[bone.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    total = np.column_stack(
        [
            np.bincount(bone.triangles.ravel(), np.repeat(normals[:, k], 3), len(bone.vertices_mm))
            for k in range(3)
        ]
    )
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)


def joined(bones: Sequence[Bone]) -> Bone:
    """Several bodies as one; where they overlap they count twice."""
    first = np.cumsum([0, *(len(bone.vertices_mm) for bone in bones)])
    return Bone(
        np.concatenate([bone.vertices_mm for bone in bones]),
        np.concatenate([bone.triangles + n for bone, n in zip(bones, first[:-1], strict=True)]),
        np.concatenate([bone.cortex_mm for bone in bones]),
    )
