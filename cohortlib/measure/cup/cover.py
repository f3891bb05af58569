"""How far the load passes from the edge of a cup, and how much of the head the cup covers."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import StudyError, problem
from cohortlib.measure.cup.definitions import cup_axis

Array = NDArray[np.float64]


def load_to_pole_angle(
    inclination_deg: ArrayLike, anteversion_deg: ArrayLike, *, load_medial_deg: float
) -> Array:
    """Angle between the force on the cup and the cup's pole [deg].

    Parameters
    ----------
    inclination_deg, anteversion_deg
        Radiographic [deg].
    load_medial_deg
        How far the force leans to the medial side from the vertical [deg]. An assumption, the same for
        everybody; papers take 10 or 15.

    Notes
    -----
    ``cos γ = f · p``, f the direction of the force on the cup, in the plane of the film, and p the pole, the
    middle of the dome: ``cos γ = cos RA cos(RI − load)``.
    """
    pole = -cup_axis(inclination_deg, anteversion_deg, given="radiographic")
    lean = np.radians(load_medial_deg)
    force = np.array([-np.sin(lean), 0.0, np.cos(lean)])
    return np.degrees(np.arccos(np.clip(pole @ force, -1.0, 1.0)))


def contact_patch_to_rim_distance(
    inclination_deg: ArrayLike,
    anteversion_deg: ArrayLike,
    *,
    bearing_diameter_mm: float,
    cup_arc_deg: float,
    load_medial_deg: float,
) -> Array:
    """Distance along the bearing from where the load passes to the nearest rim of the cup [mm].

    Parameters
    ----------
    inclination_deg, anteversion_deg
        Radiographic [deg].
    bearing_diameter_mm
        Diameter of the bearing [mm].
    cup_arc_deg
        Angle that the bearing surface of the cup spans about its centre [deg]; of a hemisphere 180.
    load_medial_deg
        How far the force leans to the medial side [deg]; an assumption that is printed with the value.

    Returns
    -------
    array
        Negative where the load passes beyond the rim.

    Raises
    ------
    StudyError
        If a size is impossible.

    Notes
    -----
    ``D/2 · (arc/2 − γ) · π/180``: from the **centre** of the patch. Its edge lies nearer to the rim by half
    of its own width, which grows as clearance falls (Underwood RJ et al., Proc Inst Mech Eng H
    2012;226:217-26).
    Less than 10 mm has been called a risk (from memory); it is no rule for one patient.

    References
    ----------
    Langton DJ et al., 2009 to 2011, after the check values of this project (formula from memory).

    Example
    -------
    >>> sizes = {"bearing_diameter_mm": 50, "cup_arc_deg": 160, "load_medial_deg": 15}
    >>> round(float(contact_patch_to_rim_distance(40, 0, **sizes)), 2)
    24.0
    """
    _check(bearing_diameter_mm, cup_arc_deg, load_medial_deg)
    gamma = load_to_pole_angle(inclination_deg, anteversion_deg, load_medial_deg=load_medial_deg)
    return bearing_diameter_mm / 2.0 * np.radians(cup_arc_deg / 2.0 - gamma)


def contact_patch_to_rim_sd(
    inclination_deg: float,
    anteversion_deg: float,
    *,
    inclination_sd_deg: float,
    anteversion_sd_deg: float,
    bearing_diameter_mm: float,
    cup_arc_deg: float,
    load_medial_deg: float,
) -> float:
    """Standard deviation of the contact-patch-to-rim distance from those of both angles [mm].

    The load direction is an assumption: what it may err is not in here.
    """
    _check(bearing_diameter_mm, cup_arc_deg, load_medial_deg)
    sizes = {
        "bearing_diameter_mm": bearing_diameter_mm,
        "cup_arc_deg": cup_arc_deg,
        "load_medial_deg": load_medial_deg,
    }
    steps = np.array([[1e-3, 0.0], [0.0, 1e-3]])
    angles = np.array([inclination_deg, anteversion_deg], dtype=float)
    slopes = [
        (contact_patch_to_rim_distance(*(angles + step), **sizes)
         - contact_patch_to_rim_distance(*(angles - step), **sizes)) / 2e-3
        for step in steps
    ]  # fmt: skip
    return float(np.hypot(slopes[0] * inclination_sd_deg, slopes[1] * anteversion_sd_deg))


def arc_of_cover(inclination_deg: ArrayLike, *, cup_arc_deg: float) -> Array:
    """Arc of the head that the cup covers laterally, from the horizontal on the medial side [deg].

    Parameters
    ----------
    inclination_deg
        Radiographic [deg].
    cup_arc_deg
        Angle that the bearing surface of the cup spans about its centre [deg].

    Notes
    -----
    ``arc/2 + 90 − inclination``, in the plane of the film (formula from memory).
    """
    _check(50.0, cup_arc_deg, 0.0)
    return cup_arc_deg / 2.0 + 90.0 - np.asarray(inclination_deg, dtype=float)


def _check(bearing_diameter_mm: float, cup_arc_deg: float, load_medial_deg: float) -> None:
    limits = {
        "bearing_diameter_mm": (bearing_diameter_mm, 20, 70, "diameters are in mm"),
        "cup_arc_deg": (cup_arc_deg, 90, 200, "the whole arc of the bearing, not its half"),
        "load_medial_deg": (load_medial_deg, -30, 45, "the lean of the force from the vertical"),
    }
    problems = [
        problem(
            column=name,
            found=float(value),
            expected=f"{least} to {most}",
            remedy=f"Correct the value: {what}",
        )
        for name, (value, least, most, what) in limits.items()
        if not least <= value <= most
    ]
    if problems:
        raise StudyError(problems)
