"""How near the edge of the contact patch comes to the rim of a cup, and when it gets there."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.measure.cup.cover import contact_patch_to_rim_distance

Array = NDArray[np.float64]


def contact_patch_edge_to_rim_distance(
    inclination_deg: ArrayLike,
    anteversion_deg: ArrayLike,
    *,
    bearing_diameter_mm: float,
    cup_arc_deg: float,
    patch_arc_deg: float,
    load_medial_deg: float,
) -> Array:
    """Distance along the bearing from the edge of the contact patch to the nearest rim of the cup [mm].

    Parameters
    ----------
    inclination_deg, anteversion_deg, bearing_diameter_mm, cup_arc_deg, load_medial_deg
        As for `contact_patch_to_rim_distance`.
    patch_arc_deg
        Angle that the whole patch spans about the bearing's centre [deg]. It grows with load and as clearance
        falls; it comes from a contact model of this bearing and has no default.

    Returns
    -------
    array
        Negative where the patch is cut off by the rim.

    Raises
    ------
    StudyError
        If a size is impossible.

    Notes
    -----
    The distance of its centre less half of the patch, ``D/2 · (arc/2 − γ − patch/2) · π/180``. Of retrieved
    cups the distance of the edge, not of the centre, told those that wore more.

    References
    ----------
    Underwood RJ et al., Proc Inst Mech Eng H 2012;226:217-26 (abstract; the formula by geometry).

    Example
    -------
    >>> sizes = {"bearing_diameter_mm": 50, "cup_arc_deg": 160, "load_medial_deg": 15}
    >>> round(float(contact_patch_edge_to_rim_distance(40, 0, patch_arc_deg=40, **sizes)), 2)
    15.27
    """
    _check_patch(patch_arc_deg)
    centre = contact_patch_to_rim_distance(
        inclination_deg,
        anteversion_deg,
        bearing_diameter_mm=bearing_diameter_mm,
        cup_arc_deg=cup_arc_deg,
        load_medial_deg=load_medial_deg,
    )
    return centre - bearing_diameter_mm / 2.0 * np.radians(patch_arc_deg / 2.0)


def critical_inclination(*, cup_arc_deg: float, patch_arc_deg: float, load_medial_deg: float) -> float:
    """Inclination at which the patch of a cup without anteversion touches the rim [deg].

    Parameters
    ----------
    cup_arc_deg, patch_arc_deg, load_medial_deg
        As for `contact_patch_edge_to_rim_distance`.

    Raises
    ------
    StudyError
        If a size is impossible.

    Notes
    -----
    ``arc/2 + load − patch/2``. For an upright load this is the published ``90 − CAP/2 − RD`` with
    ``RD = (180 − ABA)/2``, CAP the patch and ABA the arc of the bearing. Anteversion makes it less. An
    assumption about load and patch, no limit for one patient.

    References
    ----------
    A conference paper, by the check values of this project; authors not known.

    Example
    -------
    >>> critical_inclination(cup_arc_deg=160, patch_arc_deg=40, load_medial_deg=0)
    60.0
    """
    _check_patch(patch_arc_deg)
    # Refuses an impossible arc or load in the words of the distance.
    contact_patch_to_rim_distance(
        45.0, 0.0, bearing_diameter_mm=50.0, cup_arc_deg=cup_arc_deg, load_medial_deg=load_medial_deg
    )
    return float(cup_arc_deg / 2.0 + load_medial_deg - patch_arc_deg / 2.0)


def _check_patch(patch_arc_deg: float) -> None:
    if not 0 < patch_arc_deg < 120:
        raise study_error(
            column="patch_arc_deg",
            found=float(patch_arc_deg),
            expected="more than 0 and less than 120 degrees",
            remedy="Give the angle of the whole patch about the bearing's centre, in degrees",
        )
