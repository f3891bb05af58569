"""The neck below a resurfacing: its width, that width over the head, narrowing, notches."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from cohortlib.errors import study_error
from cohortlib.geometry.robust import points_array

#: Narrowing from which papers call it significant. They do not agree whether the ratio must fall by this
#: part of itself or by so many points: both are given.
SIGNIFICANT_NARROWING_PERCENT = 10.0


class NeckNarrowing(NamedTuple):
    """How much the neck/head ratio fell: as a part of the earlier ratio, and in percentage points."""

    relative_percent: float
    percentage_points: float


def neck_width(neck_edge: ArrayLike) -> float:
    """Distance between the upper and lower edge of the neck (2, 2), in the unit of the places."""
    upper, lower = points_array(neck_edge, least=2, shape="the neck's edges")
    return float(np.linalg.norm(upper - lower))


def neck_head_ratio(neck_edge: ArrayLike, head_diameter: float) -> float:
    """Width of the neck over the head's diameter, both as the same film shows them.

    Parameters
    ----------
    neck_edge : (2, 2)
        Upper and lower edge of the neck at its narrowest below the component.
    head_diameter
        On the same film, in the unit of the places.

    Notes
    -----
    Free of scale, since head and neck lie at about the same depth. Rotation of the femur changes the width.

    References
    ----------
    Hing CB et al., J Bone Joint Surg Br 2007;89:1431-8 (from memory).
    """
    return neck_width(neck_edge) / _positive(head_diameter, "head_diameter")


def head_neck_ratio(neck_edge: ArrayLike, head_diameter: float) -> float:
    """The head's diameter over the width of the neck: the less, the sooner neck and rim meet."""
    return _positive(head_diameter, "head_diameter") / neck_width(neck_edge)


def neck_narrowing(ratio_before: float, ratio_after: float) -> NeckNarrowing:
    """How much narrower the neck became between two films, in both ways it is reported.

    Parameters
    ----------
    ratio_before, ratio_after
        Neck/head ratio of the first film after the operation and of a later one.

    Returns
    -------
    NeckNarrowing
        relative_percent, percentage_points; positive = narrower. They differ by the ratio itself: a fall from
        0.860 to 0.770 is 10.5 % or 9.0 points, significant by one and not by the other.

    Raises
    ------
    StudyError
        If a ratio is not between 0 and 2.

    Example
    -------
    >>> found = neck_narrowing(0.860, 0.770)
    >>> round(found.relative_percent, 2), round(found.percentage_points, 2)
    (10.47, 9.0)
    """
    for name, ratio in (("ratio_before", ratio_before), ("ratio_after", ratio_after)):
        if not 0 < ratio < 2:
            raise study_error(
                column=name,
                found=float(ratio),
                expected="a ratio of neck and head, between 0 and 2",
                remedy="Give width of the neck over diameter of the head, not percent",
            )
    fall = ratio_before - ratio_after
    return NeckNarrowing(100.0 * fall / ratio_before, 100.0 * fall)


def notching_depth(notch_floor: ArrayLike, notch_edge: ArrayLike) -> float:
    """How deep a notch of the neck reaches below the line over its two edges, in the unit of the places.

    Parameters
    ----------
    notch_floor : (2,)
        Deepest point of the notch.
    notch_edge : (2, 2)
        The cortex on both sides of it.
    """
    first, second = points_array(notch_edge, least=2, shape="the notch's edges")
    along = (second - first) / np.linalg.norm(second - first)
    away = np.asarray(notch_floor, dtype=float) - first
    return float(abs(along[0] * away[1] - along[1] * away[0]))


def _positive(value: float, name: str) -> float:
    if not value > 0:
        raise study_error(
            column=name,
            found=value,
            expected="a size above 0",
            remedy="Give the head's diameter as the film shows it",
        )
    return float(value)
