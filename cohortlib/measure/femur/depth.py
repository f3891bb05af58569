"""How deep a femoral component stands in its bone."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from cohortlib.geometry.angles import axis_through


def stem_depth(reference: ArrayLike, greater_trochanter_tip: ArrayLike, axis: ArrayLike) -> float:
    """How far a point of the stem stands below the tip of the greater trochanter, along an axis.

    Parameters
    ----------
    reference : (2,)
        A point of the component: the shoulder of a stem, the tip of a peg.
    greater_trochanter_tip : (2,)
        The highest point of the greater trochanter.
    axis : (n, 2), n >= 2
        Points along the direction in which the component would sink: the shaft for a stem, the peg itself
        for a peg.

    Raises
    ------
    StudyError
        Fewer than two distinct points of the axis.

    Notes
    -----
    Positive below the trochanter; between two films of a hip, an increase is subsidence. Rotation and
    flexion of the femur move the trochanter against the stem by millimetres (common practice, no source):
    a difference between two films is no better than their likeness.

    Example
    -------
    >>> round(stem_depth((0, -12), (30, 0), [(30, -80), (30, -120)]), 6)
    12.0
    """
    _, up = axis_through(axis, upwards=(0.0, 1.0))
    return float((np.asarray(greater_trochanter_tip, float) - np.asarray(reference, float)) @ up)
