"""How the pelvis lay, estimated from two landmarks of its middle: an estimate, and named so.

The upper edge of the symphysis lies far in front of the joint between sacrum and coccyx. Tilt parts them
upwards on the film, rotation sideways.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from cohortlib.errors import study_error
from cohortlib.measure.cup.centre import cup_centre

METHOD = "estimate: symphysis and sacrococcygeal joint"


class Usual(NamedTuple):
    """Height of the joint above the symphysis with an upright anterior pelvic plane [mm], and its spread."""

    height_mm: float
    height_sd_mm: float


#: 248 skeletons, 80 % men: 22 mm (SD 14), women 11.7 mm more than men (abstract, PubMed 31109191, 2019).
#: From memory others give 32 mm for men and 47 mm for women, on films and with another zero.
USUAL = {"male": Usual(20.0, 13.0), "female": Usual(31.0, 13.0)}
#: How far the symphysis lies in front of the joint [mm], and its spread (from memory).
DEPTH_MM, DEPTH_SD_MM = 120.0, 10.0
#: How far off the middle the two may lie against each other, and what an unknown beam adds [mm]
#: (common practice, no source).
MIDLINE_SD_MM = 3.0


def symphysis_height(
    symphysis_top: ArrayLike,
    sacrococcygeal_joint: ArrayLike,
    teardrop: ArrayLike,
    teardrop_other: ArrayLike,
) -> tuple[float, float]:
    """How far the joint lies above the symphysis, and the symphysis to the side of this hip from the joint.

    Parameters
    ----------
    symphysis_top, sacrococcygeal_joint, teardrop, teardrop_other : (2,)
        Lateral, up; in millimetres of the patient.

    Returns
    -------
    above, aside
        Across and along the inter-teardrop line.
    """
    symphysis = cup_centre(symphysis_top, teardrop, teardrop_other)
    joint = cup_centre(sacrococcygeal_joint, teardrop, teardrop_other)
    return joint[1] - symphysis[1], symphysis[0] - joint[0]


def pelvic_tilt(above_mm: float, *, sex: str) -> tuple[float, float]:
    """Anterior tilt of the pelvis [deg] and its standard deviation apart from that of the marks.

    Parameters
    ----------
    above_mm
        From `symphysis_height`.
    sex
        "female" or "male".

    Raises
    ------
    StudyError
        For another sex, or a height that no tilt gives.

    Notes
    -----
    ``tilt = arcsin(h / √(h₀² + D²)) − arctan(h₀ / D)``, h₀ the height without tilt and D the depth between
    both. h₀ differs so much between people (SD 13 mm) that one film tells the tilt to about 6 degrees only.
    Between two films of one patient h₀ drops out and the *change* is good to about 10 % of itself and the
    error of the marks. Zero is the anterior pelvic plane parallel to the film.

    References
    ----------
    Landmarks: Tannast M et al., Skeletal Radiol 2006 (six estimators against a lateral film).
    """
    if sex not in USUAL:
        raise study_error(
            column="sex",
            found=sex,
            expected="'female' or 'male'",
            remedy="Give the sex: the usual height differs by 12 mm",
        )
    usual = USUAL[sex]
    reach = float(np.hypot(usual.height_mm, DEPTH_MM))
    if not abs(above_mm) < reach:
        raise study_error(
            column="above_mm",
            found=float(above_mm),
            expected=f"less than {reach:.0f} mm",
            remedy="Check the marks on symphysis and sacrococcygeal joint",
        )
    tilt = np.arcsin(above_mm / reach) - np.arctan2(usual.height_mm, DEPTH_MM)
    spread = np.hypot(usual.height_sd_mm / DEPTH_MM, tilt * DEPTH_SD_MM / DEPTH_MM)
    return float(np.degrees(tilt)), float(np.degrees(spread))


def pelvic_rotation(aside_mm: float) -> tuple[float, float]:
    """Rotation of the pelvis, + front to the side of this hip [deg], and its sd apart from the marks'.

    Parameters
    ----------
    aside_mm
        From `symphysis_height`.

    Raises
    ------
    StudyError
        If no rotation gives it.

    Notes
    -----
    ``rotation = arcsin(aside / D)``.
    """
    if not abs(aside_mm) < DEPTH_MM:
        raise study_error(
            column="aside_mm",
            found=float(aside_mm),
            expected=f"less than {DEPTH_MM:.0f} mm",
            remedy="Check the marks on symphysis and sacrococcygeal joint",
        )
    turn = np.arcsin(aside_mm / DEPTH_MM)
    spread = np.hypot(MIDLINE_SD_MM / DEPTH_MM, turn * DEPTH_SD_MM / DEPTH_MM)
    return float(np.degrees(turn)), float(np.degrees(spread))
