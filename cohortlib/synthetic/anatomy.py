"""The mean bones, levelled: pelvis with the anterior pelvic plane upright, femur about its own head.

Both frames [mm]: x to the patient's left, y to the back, z to the head. The pelvis has its origin
midway between the native hip centres, the left femur at the centre of its head.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from cohortlib.errors import study_error
from cohortlib.synthetic.bone import Bone, joined
from cohortlib.synthetic.missing_bones import axial_bones, teardrop

Array = NDArray[np.floating]

#: Found on the meshes by sphere fits, in the frame of the files [mm].
_HEAD_CENTRE_MM = np.array([114.24, 0.20, 1203.92])
_ACETABULUM_CENTRE_MM = np.array([109.56, -2.05, 1198.21])
#: Radius to which the native acetabulum is opened, so that a joint space is left [mm].
_ACETABULUM_MM = 26.3
#: Added on each side of the pubic symphysis, where the mean bones nearly touch [mm].
_SYMPHYSIS_MM = 1.6


@dataclass(frozen=True, eq=False)
class Anatomy:
    """The mean bones; made by `read_anatomy`.

    Attributes
    ----------
    hip_bone, sacrum
        Left hip bone with its teardrop, and sacrum with coccyx and lower lumbar spine, in the pelvis
        frame; the right hip bone is the left one mirrored.
    femur
        Left femur in its own frame; z runs along its mechanical axis.
    hip_centre_mm : (3,)
        Native left hip centre in the pelvis frame.
    neck_direction, shaft_direction : (3,)
        Unit vectors in the femur frame, from the head down the neck, and down the shaft.
    shaft_point_mm : (3,)
        On the axis of the shaft, in the femur frame.
    """

    hip_bone: Bone
    sacrum: Bone
    femur: Bone
    hip_centre_mm: Array
    neck_direction: Array
    shaft_direction: Array
    shaft_point_mm: Array

    def mirrored(self) -> Anatomy:
        """The anatomy whose films are the mirror images: only the sacrum is not symmetric."""
        return replace(self, sacrum=self.sacrum.mirrored())


def read_anatomy(folder: Path | str) -> Anatomy:
    """The mean bones of a folder with `pelvis.npz` and `femur_left.npz`, levelled.

    Raises
    ------
    StudyError
        If a file is missing or does not hold a mesh.
    """
    pelvis_mm, pelvis_triangles = _read_mesh(Path(folder) / "pelvis.npz")
    femur_mm, femur_triangles = _read_mesh(Path(folder) / "femur_left.npz")
    hip_bone, sacrum, hip_centre_mm = _levelled_pelvis(pelvis_mm, pelvis_triangles)
    femur, neck, shaft, shaft_point_mm = _levelled_femur(femur_mm, femur_triangles)
    return Anatomy(
        joined([hip_bone, teardrop()]),
        joined([sacrum, axial_bones()]),
        femur,
        hip_centre_mm,
        neck,
        shaft,
        shaft_point_mm,
    )


def _levelled_pelvis(vertices_mm: Array, triangles: NDArray[np.int64]) -> tuple[Bone, Bone, Array]:
    """Left hip bone and sacrum in the pelvis frame, and the native left hip centre."""
    right, left, sacrum = _parts(vertices_mm, triangles)
    centres = [_centroid_mm(vertices_mm, part) for part in (left, right)]
    across = (centres[0] - centres[1]) / np.linalg.norm(centres[0] - centres[1])
    upright = np.array([0.0, 0.0, 1.0])
    own = np.unique(left)
    for _ in range(6):  # the most anterior points change a little as the pelvis turns
        frame = _frame(across, upright)
        place = (vertices_mm[own] - sum(centres) / 2) @ frame
        high, low = place[place[:, 2] > 20], place[place[:, 2] < -20]
        forward = high[high[:, 1].argmin()] - low[low[:, 1].argmin()]
        upright = frame @ np.array([0.0, forward[1], forward[2]])
    origin = sum(centres) / 2
    hip_centre_mm = (_ACETABULUM_CENTRE_MM - origin) @ frame
    shift = np.array([0.0, hip_centre_mm[1], hip_centre_mm[2]])
    level = (vertices_mm - origin) @ frame - shift
    hip_centre_mm = hip_centre_mm - shift + np.array([_SYMPHYSIS_MM, 0.0, 0.0])
    hip_bone = _part(level + np.array([_SYMPHYSIS_MM, 0.0, 0.0]), left, 1.3)
    from_centre = hip_bone.vertices_mm - hip_centre_mm
    hip_bone = replace(
        hip_bone,
        vertices_mm=_opened_mm(hip_bone.vertices_mm, hip_centre_mm, _ACETABULUM_MM),
        cortex_mm=hip_bone.cortex_mm + 0.9 * np.exp(-(((np.linalg.norm(from_centre, axis=1) - 25) / 6) ** 2)),
    )
    return hip_bone, _part(level, sacrum, 0.9), hip_centre_mm


def _opened_mm(vertices_mm: Array, centre_mm: Array, radius_mm: float) -> Array:
    """Vertices (n, 3) with those inside a sphere pushed out to it: bone that has been cut away."""
    out = vertices_mm - centre_mm
    distance = np.linalg.norm(out, axis=1, keepdims=True)
    return centre_mm + out * np.maximum(1.0, radius_mm / np.maximum(distance, 1e-9))


def _levelled_femur(vertices_mm: Array, triangles: NDArray[np.int64]) -> tuple[Bone, Array, Array, Array]:
    """Femur about its head centre, direction of neck, direction of shaft, a point on the shaft."""
    about = vertices_mm - _HEAD_CENTRE_MM
    lowest = about[about[:, 2] < about[:, 2].min() + 25]
    upright = -lowest.mean(axis=0)
    lateral = lowest[:, 0] > np.median(lowest[:, 0])
    condyles = [lowest[side][lowest[side][:, 1].argmax()] for side in (lateral, ~lateral)]
    frame = _frame(condyles[0] - condyles[1], upright, keep="upright")
    level = about @ frame
    neck = np.array([0.7, 0.1, -0.7])
    for _ in range(10):
        along = level @ neck
        near = (np.abs(along - 28) < 3) & (np.linalg.norm(level - 28 * neck, axis=1) < 26)
        neck = level[near].mean(axis=0) / np.linalg.norm(level[near].mean(axis=0))
    rings = [level[np.abs(level[:, 2] - z) < 15].mean(axis=0) for z in (-105.0, -245.0)]
    shaft = (rings[1] - rings[0]) / np.linalg.norm(rings[1] - rings[0])
    below = -level[:, 2]
    cortex_mm = np.interp(below, [0, 25, 60, 110, 170, 400], [0.9, 1.7, 2.8, 5.6, 7.2, 7.2])
    return Bone(level, triangles, cortex_mm), neck, shaft, rings[0]


def _frame(across: Array, upright: Array, *, keep: str = "across") -> Array:
    """Axes (3, 3) as columns: left, back, head; right-handed; one of the directions is kept."""
    if keep == "across":
        x = across / np.linalg.norm(across)
        z = upright - x * (x @ upright)
        z = z / np.linalg.norm(z)
    else:
        z = upright / np.linalg.norm(upright)
        x = across - z * (z @ across)
        x = x / np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])


def _parts(vertices_mm: Array, triangles: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Triangles of the right hip bone, the left one and the sacrum: the three connected bodies."""
    edges = triangles[:, [0, 1, 1, 2]].reshape(-1, 2)
    graph = coo_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(len(vertices_mm),) * 2)
    count, label = connected_components(graph, directed=False)
    parts = [triangles[label[triangles[:, 0]] == k] for k in range(count)]
    parts.sort(key=lambda part: vertices_mm[part, 0].mean())
    if len(parts) != 3:
        raise study_error(
            file="pelvis.npz",
            column="triangles",
            found=f"{count} separate bodies",
            expected="right hip bone, sacrum and left hip bone",
            remedy="Restore the file that came with the project",
        )
    return [parts[0], parts[2], parts[1]]


def _part(vertices_mm: Array, triangles: NDArray[np.int64], cortex_mm: float) -> Bone:
    own, renumbered = np.unique(triangles, return_inverse=True)
    return Bone(vertices_mm[own], renumbered.reshape(triangles.shape), np.full(len(own), cortex_mm))


def _centroid_mm(vertices_mm: Array, triangles: NDArray[np.int64]) -> Array:
    corners = vertices_mm[triangles]
    volume = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    return (volume[:, None] * corners.sum(axis=1)).sum(axis=0) / volume.sum() / 4


def _read_mesh(path: Path) -> tuple[Array, NDArray[np.int64]]:
    """Vertices [mm] and triangles of a file, with its numbers checked."""
    expected = "arrays vertices_mm (n, 3) and triangles (m, 3)"
    try:
        with np.load(path, allow_pickle=False) as file:
            vertices_mm = np.asarray(file["vertices_mm"], dtype=float)
            triangles = np.asarray(file["triangles"], dtype=np.int64)
    except (OSError, KeyError, ValueError, BadZipFile) as error:
        raise study_error(
            file=path.name,
            found=f"no readable mesh ({type(error).__name__})",
            expected=expected,
            remedy="Restore the file that came with the project",
        ) from error
    shapes_right = vertices_mm.ndim == 2 and vertices_mm.shape[1:] == triangles.shape[1:] == (3,)
    if not shapes_right or not triangles.size or triangles.min() < 0 or triangles.max() >= len(vertices_mm):
        raise study_error(
            file=path.name,
            found=f"arrays of shape {vertices_mm.shape} and {triangles.shape}",
            expected=expected,
            remedy="Restore the file that came with the project",
        )
    return vertices_mm, triangles
