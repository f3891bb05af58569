"""Point projection: how an X-ray source casts spheres and circles onto a detector, and back.

The detector is the plane z = 0, x to the right, y upwards, z towards the source. The source stands at
(x, y, source_to_detector) above the beam centre. A source at infinite distance is a parallel beam.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.ellipse import Ellipse, ellipse_from_conic

Array = NDArray[np.float64]


def source_position(source_to_detector_mm: float, beam_centre_mm: ArrayLike) -> Array:
    """The source (3,) above the beam centre (x, y)."""
    x, y = np.asarray(beam_centre_mm, dtype=float)
    return np.array([x, y, float(source_to_detector_mm)])


def projected_points(points: ArrayLike, source: ArrayLike | None) -> Array:
    """Shadows (n, 2) of points (n, 3); `source` None is a parallel beam along z."""
    array = np.asarray(points, dtype=float)
    if source is None:
        return array[..., :2].copy()
    origin = np.asarray(source, dtype=float)
    reach = origin[2] / (origin[2] - array[..., 2:3])
    return origin[:2] + (array[..., :2] - origin[:2]) * reach


def sphere_shadow(centre: ArrayLike, radius_mm: float, source: ArrayLike | None) -> Ellipse:
    """The outline of the shadow of a sphere.

    Parameters
    ----------
    centre : (3,)
        [mm], above the detector.
    radius_mm
        [mm].
    source : (3,) or None
        [mm]; None is a parallel beam.

    Notes
    -----
    Rays that touch the sphere form a circular cone about the line from the source to its centre:
    ((p - s)·u)² = cos²α |p - s|², sin α = radius / distance.

    Raises
    ------
    StudyError
        If the source lies inside the sphere or the shadow does not close on the detector.
    """
    middle = np.asarray(centre, dtype=float)
    if source is None:
        return Ellipse(middle[:2].copy(), (radius_mm, radius_mm), 0.0)
    origin = np.asarray(source, dtype=float)
    away = middle - origin
    distance = float(np.linalg.norm(away))
    if distance <= radius_mm:
        raise study_error(
            column="source",
            found=f"a source {distance:.1f} mm from the centre",
            expected=f"more than the radius, {radius_mm:.1f} mm",
            remedy="Check the distances of the beam",
        )
    axis = away / distance
    cone = np.outer(axis, axis) - (1.0 - (radius_mm / distance) ** 2) * np.eye(3)
    rays = _ray_matrix(origin)
    return ellipse_from_conic(-rays.T @ cone @ rays)


def circle_shadow(
    centre: ArrayLike, normal: ArrayLike, radius_mm: float, source: ArrayLike | None
) -> Ellipse:
    """The shadow of a circle.

    Parameters
    ----------
    centre, normal : (3,)
        Centre above the detector [mm] and the direction the circle faces.
    radius_mm
        [mm].
    source : (3,) or None
        [mm]; None is a parallel beam.

    Raises
    ------
    StudyError
        If the circle is seen edge-on or does not lie below the source.
    """
    across, along = circle_frame(normal)
    spokes = radius_mm * np.column_stack([across, along])
    middle = np.asarray(centre, dtype=float)
    if source is None:
        onto = np.vstack([np.column_stack([spokes[:2], middle[:2]]), [0.0, 0.0, 1.0]])
    else:
        origin = np.asarray(source, dtype=float)
        height = np.array([*spokes[2], middle[2] - origin[2]]) / -origin[2]
        flat = np.column_stack([spokes[:2], middle[:2] - origin[:2]])
        onto = np.vstack([flat + np.outer(origin[:2], height), height])
    if abs(np.linalg.det(onto)) < 1e-9 * radius_mm**2:
        raise study_error(
            column="rim",
            found="a circle seen edge-on",
            expected="a circle that casts an ellipse",
            remedy="Give the orientation a little anteversion",
        )
    back = np.linalg.inv(onto)
    return ellipse_from_conic(back.T @ np.diag([1.0, 1.0, -1.0]) @ back)


def circle_frame(normal: ArrayLike) -> tuple[Array, Array]:
    """Two unit vectors that span the plane across `normal`; the first lies in the detector plane."""
    axis = np.asarray(normal, dtype=float) / np.linalg.norm(normal)
    across = np.array([-axis[1], axis[0], 0.0])
    length = np.linalg.norm(across)
    across = np.array([1.0, 0.0, 0.0]) if length < 1e-12 else across / length
    return across, np.cross(axis, across)


def circle_normals(shadow: Ellipse, source: ArrayLike | None) -> Array:
    """The two directions (2, 3) a circle may face that casts this elliptic shadow.

    Each is a unit vector along the circle's axis; its sign is open (z is made positive). For a parallel
    beam they mirror each other in the detector plane. A circle that faces the source gives one twice.

    Notes
    -----
    The rays through the outline form an elliptic cone vᵀ A v = 0 with eigenvalues λ1 ≥ λ2 > 0 > λ3;
    a plane cuts it in a circle only if its normal is ± √((λ1-λ2)/(λ1-λ3)) e1 ± √((λ2-λ3)/(λ1-λ3)) e3.

    References
    ----------
    Shiu YC, Ahmad S, 3D location of circular and spherical features by monocular model-based vision,
    Proc IEEE Int Conf Systems Man Cybernetics 1989:576-81 (from memory); proved here by projection.
    """
    if source is None:
        major, minor = shadow.semi_axes
        angle = np.radians(shadow.angle_deg)
        lean = np.sqrt(max(0.0, 1.0 - (minor / major) ** 2))
        across = np.array([-np.sin(angle), np.cos(angle)]) * lean
        return np.array([[*across, minor / major], [*(-across), minor / major]])
    origin = np.asarray(source, dtype=float)
    back = np.linalg.inv(_ray_matrix(origin))
    cone = back.T @ shadow.conic() @ back
    values, vectors = np.linalg.eigh(cone / np.abs(cone).max())
    if (values > 0).sum() != 2:
        raise study_error(
            column="rim",
            found="an outline that is no shadow of a circle",
            expected="an ellipse in front of the source",
            remedy="Check the marks and the beam geometry",
        )
    low, middle, high = values
    first = np.sqrt(max(0.0, (high - middle) / (high - low))) * vectors[:, 2]
    third = np.sqrt((middle - low) / (high - low)) * vectors[:, 0]
    normals = np.array([third + first, third - first])
    return normals * np.where(normals[:, 2:] < 0, -1.0, 1.0)


def _ray_matrix(source: Array) -> Array:
    """Maps (x, y, 1) on the detector to the ray direction from the source."""
    return np.array([[1.0, 0.0, -source[0]], [0.0, 1.0, -source[1]], [0.0, 0.0, -source[2]]])
