"""How far the femur stands from the hip's centre, and from the pelvis."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from cohortlib.geometry.angles import axis_through
from cohortlib.measure.cup.centre import cup_centre

#: Standard deviation of a plain film against computed tomography [mm]: leg length, global and femoral offset.
#: Weber M et al., J Arthroplasty 2014;29:1661-5.
FILM_AGAINST_CT_SD_MM = {"leg_length_difference": 2.0, "global_offset": 3.6, "femoral_offset": 5.2}


def femoral_offset(head_centre: ArrayLike, shaft_axis: ArrayLike) -> float:
    """Perpendicular distance of the head's centre from the axis of the shaft, in the unit of the places.

    Parameters
    ----------
    head_centre : (2,)
        Lateral, up.
    shaft_axis : (n, 2), n >= 2
        Points along the middle of the femoral canal.

    Raises
    ------
    StudyError
        Fewer than two distinct points of the shaft.

    Notes
    -----
    Positive where the head lies medial of the axis. External rotation of the femur makes it smaller on the
    film: changes below about 10 mm are not real on plain films.

    Example
    -------
    >>> round(femoral_offset((0, 0), [(40, -50), (40, -90)]), 6)
    40.0
    """
    middle, up = axis_through(shaft_axis, upwards=(0.0, 1.0))
    away = np.asarray(head_centre, dtype=float) - middle
    return float(up[0] * away[1] - up[1] * away[0])


def global_offset(
    head_centre: ArrayLike, shaft_axis: ArrayLike, teardrop: ArrayLike, teardrop_other: ArrayLike
) -> float:
    """Femoral offset and the distance of the head's centre from the vertical through the teardrop, together.

    Parameters
    ----------
    head_centre, shaft_axis
        As for `femoral_offset`.
    teardrop, teardrop_other : (2,)
        Of this hip and of the other.

    Notes
    -----
    The vertical stands on the inter-teardrop line.
    """
    lateral, _ = cup_centre(head_centre, teardrop, teardrop_other)
    return femoral_offset(head_centre, shaft_axis) + lateral
