"""How the native acetabulum covers the head on a film from the front: before an operation, or the other side.

Places are lateral and upwards on the film, so left and right hips give the same numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from cohortlib.errors import study_error
from cohortlib.measure.cup.centre import cup_centre


def centre_edge_angle(
    head_centre: ArrayLike, lateral_edge: ArrayLike, teardrop: ArrayLike, teardrop_other: ArrayLike
) -> float:
    """Angle at the head's centre between the vertical and the lateral edge of the acetabulum [deg].

    Parameters
    ----------
    head_centre, lateral_edge : (2,)
        Lateral, up; the lateral end of the roof of the acetabulum.
    teardrop, teardrop_other : (2,)
        Of this hip and of the other.

    Returns
    -------
    float
        + where the edge lies lateral of the head's centre.

    Raises
    ------
    StudyError
        If both teardrops, or edge and centre, lie at one place.

    Notes
    -----
    The vertical stands on the inter-teardrop line. Usual are 25 to 39; less than 20 has been called
    dysplasia, 40 and more over-coverage (from memory). Papers do not agree whether it must be corrected for
    how the pelvis lay (Tannast M et al., Clin Orthop Relat Res 2015;473:1255-66).

    References
    ----------
    Wiberg G, 1939 (from memory).

    Example
    -------
    >>> round(centre_edge_angle((0, 0), (15, 25.98), (-30, -15), (-140, -15)), 1)
    30.0
    """
    return _slope(head_centre, lateral_edge, teardrop, teardrop_other, vertical=True)


def acetabular_index(
    medial_edge: ArrayLike, lateral_edge: ArrayLike, teardrop: ArrayLike, teardrop_other: ArrayLike
) -> float:
    """Angle between the inter-teardrop line and the weight-bearing roof of the acetabulum [deg].

    Parameters
    ----------
    medial_edge, lateral_edge : (2,)
        Both ends of the dense roof; lateral, up.
    teardrop, teardrop_other : (2,)
        Of this hip and of the other.

    Returns
    -------
    float
        + where the lateral end stands higher.

    Raises
    ------
    StudyError
        If two places coincide.

    Notes
    -----
    Usual are 0 to 10 (from memory). Not the angle of the same name in children, which is measured between
    other landmarks.

    Example
    -------
    >>> round(acetabular_index((0, 20), (20, 22), (-20, -15), (-130, -15)), 1)
    5.7
    """
    return _slope(medial_edge, lateral_edge, teardrop, teardrop_other, vertical=False)


def _slope(
    start: ArrayLike, end: ArrayLike, teardrop: ArrayLike, teardrop_other: ArrayLike, *, vertical: bool
) -> float:
    """Angle of the way from start to end against the vertical, or against the inter-teardrop line [deg]."""
    first, last = (np.array(cup_centre(place, teardrop, teardrop_other)) for place in (start, end))
    lateral, up = last - first
    if not np.hypot(lateral, up) > 0:
        raise study_error(
            column="lateral_edge",
            found="two places that coincide",
            expected="two places apart",
            remedy="Mark the edge of the acetabulum on its own",
        )
    return float(np.degrees(np.arctan2(lateral, up) if vertical else np.arctan2(up, lateral)))
