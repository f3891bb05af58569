"""Anteversion on a second film, across the table: the one view that tells front from back."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.angles import axis_through, turn_deg

Array = NDArray[np.float64]
LATERAL_VIEW = "mouth against the vertical of the table, lateral view (Woo 1982)"


def lateral_view_angle(mouth: ArrayLike, *, anterior: ArrayLike, cranial: ArrayLike) -> float:
    """Angle between the mouth of a cup and the vertical of the table, + for an anteverted cup [deg].

    Parameters
    ----------
    mouth : (n, 2), n >= 2
        Points along the mouth as the lateral film shows it.
    anterior, cranial : (2,)
        Which way on the film is up from the table, and which way is to the head.

    Returns
    -------
    float
        More than -90, at most 90.

    Raises
    ------
    StudyError
        Fewer than two distinct points, or directions that are not across each other.

    Notes
    -----
    An angle to the table, not to the pelvis: how the patient lay is in it, and an arch of the back with the
    other thigh raised tilts the pelvis. What it is in one of the three definitions depends on the beam:
    `anteversion_from_lateral_view`.

    References
    ----------
    Woo RY & Morrey BF, Dislocations after total hip arthroplasty, J Bone Joint Surg Am 1982;64:1295-306
    (reference and method from memory).

    Example
    -------
    >>> round(lateral_view_angle([(0, 0), (20, 34.64)], anterior=(0, 1), cranial=(1, 0)), 1)
    30.0
    """
    up, head = (np.asarray(way, dtype=float) for way in (anterior, cranial))
    lengths = np.linalg.norm(up) * np.linalg.norm(head)
    if not (lengths > 0 and abs(up @ head) < 0.02 * lengths):
        raise study_error(
            column="anterior, cranial",
            found=f"{up.tolist()}, {head.tolist()}",
            expected="two directions on the film across each other",
            remedy="Give which way is up from the table, and which way is to the head",
        )
    _, along = axis_through(mouth, upwards=up)
    # A cup that looks forward has the front of its rim nearer to the head than the back.
    handed = np.sign(up[0] * head[1] - up[1] * head[0])
    return float(handed * turn_deg(up, along))


def anteversion_from_lateral_view(
    angle_deg: ArrayLike, inclination_deg: ArrayLike, *, beam_lean_deg: ArrayLike
) -> Array:
    """Radiographic anteversion, with its sign, from both films [deg].

    Parameters
    ----------
    angle_deg
        From `lateral_view_angle` [deg].
    inclination_deg
        Radiographic, on the film from the front [deg].
    beam_lean_deg
        Between the horizontal beam of the lateral film and the transverse axis of the patient [deg]; about 45
        for a beam across the table into the groin, 0 for one straight from the side. No default: it belongs
        to the protocol.

    Notes
    -----
    ``tan RA = tan W · cos(RI − lean)``, W the angle on the film: at a lean of 0 W is the operative
    anteversion, at a lean of RI the radiographic one. Derived from the projection of a circle by a parallel
    beam.

    Example
    -------
    >>> round(float(anteversion_from_lateral_view(15.0, 45.0, beam_lean_deg=45.0)), 6)
    15.0
    """
    seen = np.radians(np.asarray(angle_deg, dtype=float))
    apart = np.radians(np.asarray(inclination_deg, dtype=float) - np.asarray(beam_lean_deg, dtype=float))
    lean = np.asarray(beam_lean_deg, dtype=float)
    if not ((np.abs(seen) < np.pi / 2) & (lean >= 0) & (lean <= 70)).all():
        raise study_error(
            column="angle_deg, beam_lean_deg",
            found=f"{np.degrees(seen)}, {lean}",
            expected="an angle within 90 degrees, a lean from 0 to 70 degrees",
            remedy="Give the lean of the beam from the transverse axis of the patient",
        )
    return np.degrees(np.arctan(np.tan(seen) * np.cos(apart)))
