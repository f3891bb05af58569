"""Leg length by the inter-teardrop line and the lesser trochanters."""

from __future__ import annotations

from numpy.typing import ArrayLike

from cohortlib.measure.cup.centre import cup_centre


def hip_length(lesser_trochanter: ArrayLike, teardrop: ArrayLike, teardrop_other: ArrayLike) -> float:
    """How far the lesser trochanter stands below the inter-teardrop line, in the unit of the places.

    Parameters
    ----------
    lesser_trochanter : (2,)
        Its most medial point, of the side that is measured.
    teardrop, teardrop_other : (2,)
        Of this hip and of the other.

    Notes
    -----
    Positive below the line. Abduction and flexion of the leg change it.
    """
    _, proximal = cup_centre(lesser_trochanter, teardrop, teardrop_other)
    return -proximal


def leg_length_difference(
    lesser_trochanter: ArrayLike,
    lesser_trochanter_other: ArrayLike,
    teardrop: ArrayLike,
    teardrop_other: ArrayLike,
) -> float:
    """How much longer this leg is than the other at the hip, in the unit of the places.

    Parameters
    ----------
    lesser_trochanter, lesser_trochanter_other : (2,)
        Of this hip and of the other.
    teardrop, teardrop_other : (2,)
        Likewise.

    Notes
    -----
    ``hip length − hip length of the other side``; + = this leg is longer. What lies below the lesser
    trochanters is not seen. The inter-teardrop line, not the bi-ischial one, is the reference.

    References
    ----------
    Meermans G et al., Clin Orthop Relat Res 2011;469:1677. Accuracy against computed tomography: mean 1.0,
    SD 2.0 mm, 1 % beyond 5 mm: Weber M et al., J Arthroplasty 2014;29:1661-5.

    Example
    -------
    >>> leg_length_difference((60, -48), (-170, -40), (0, 0), (-110, 0))
    8.0
    """
    own = hip_length(lesser_trochanter, teardrop, teardrop_other)
    return own - hip_length(lesser_trochanter_other, teardrop_other, teardrop)
