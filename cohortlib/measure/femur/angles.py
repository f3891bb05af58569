"""How stem and neck stand to the shaft of the femur.

Places are lateral and upwards on the film, so left and right hips give the same numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from cohortlib.geometry.angles import axis_through, turn_deg
from cohortlib.geometry.robust import points_array

_UP = (0.0, 1.0)


def stem_shaft_angle(stem_axis: ArrayLike, shaft_axis: ArrayLike) -> float:
    """Angle on the medial side between the upper end of the stem's axis and the lower end of the shaft [deg].

    Parameters
    ----------
    stem_axis, shaft_axis : (n, 2), n >= 2
        Points along the axis of the stem (or peg) and along the middle of the femoral canal; lateral, up.

    Raises
    ------
    StudyError
        Fewer than two distinct points.

    Notes
    -----
    Smaller is varus, larger is valgus. A peg stands at about the neck-shaft angle; a stem in line with the
    shaft has 180, one whose tip points to the lateral side less. The shadows of both axes are measured:
    rotation of the femur changes the angle without a movement of the component.

    References
    ----------
    Beaulé PE et al., J Bone Joint Surg Am 2004;86:2015-21 (from memory).

    Example
    -------
    >>> round(stem_shaft_angle([(0, 0), (-30, 30)], [(5, -40), (5, -80)]), 6)
    135.0
    """
    _, stem = axis_through(stem_axis, upwards=_UP)
    return _medial_angle(stem, shaft_axis)


def neck_shaft_angle(head_centre: ArrayLike, neck_edge: ArrayLike, shaft_axis: ArrayLike) -> float:
    """Angle on the medial side between the axis of the neck and the lower end of the shaft [deg].

    Parameters
    ----------
    head_centre : (2,)
        Lateral, up.
    neck_edge : (2, 2)
        Upper and lower edge of the neck at its narrowest, in any order.
    shaft_axis : (n, 2), n >= 2
        Points along the middle of the femoral canal.

    Raises
    ------
    StudyError
        Fewer than two distinct points.

    Notes
    -----
    The axis of the neck runs from the middle between its edges to the head's centre. Usual are 120 to 135;
    below 120 is coxa vara, above 140 coxa valga (from memory).
    """
    middle = points_array(neck_edge, least=2, shape="the neck's edges").mean(axis=0)
    return _medial_angle(np.asarray(head_centre, dtype=float) - middle, shaft_axis)


def _medial_angle(upper: ArrayLike, shaft_axis: ArrayLike) -> float:
    _, up_the_shaft = axis_through(shaft_axis, upwards=_UP)
    # Medial is to the left of the shaft: an axis that leans there is turned anticlockwise from it.
    return 180.0 - turn_deg(up_the_shaft, upper)
