"""Where the centre of the cup stands in the pelvis, as one film shows it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from cohortlib.errors import study_error


def cup_centre(centre: ArrayLike, teardrop: ArrayLike, teardrop_other: ArrayLike) -> tuple[float, float]:
    """How far the centre of rotation lies lateral of the teardrop and above the inter-teardrop line.

    Parameters
    ----------
    centre : (2,)
        Of head or cup, on the film.
    teardrop, teardrop_other : (2,)
        Of this hip and of the other.

    Returns
    -------
    lateral, proximal
        In the unit of the places; the same for left and right hips.

    Raises
    ------
    StudyError
        If both teardrops lie at one place.

    Notes
    -----
    Lateral is along the line from the other teardrop to this one, proximal is across it, to the head of the
    patient: up on the film.

    Example
    -------
    >>> cup_centre((32, 15), (0, 0), (-110, 0))
    (32.0, 15.0)
    """
    own, other = np.asarray(teardrop, dtype=float), np.asarray(teardrop_other, dtype=float)
    base = float(np.linalg.norm(own - other))
    if not base > 0:
        raise study_error(
            column="teardrop",
            found="both teardrops at one place",
            expected="two places apart",
            remedy="Mark each teardrop on its own side",
        )
    lateral = (own - other) / base
    up = np.array([-lateral[1], lateral[0]])
    up = up if up[1] >= 0 else -up
    away = np.asarray(centre, dtype=float) - own
    return float(away @ lateral), float(away @ up)
