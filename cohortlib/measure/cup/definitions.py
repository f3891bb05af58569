"""The three definitions of cup orientation, and what pelvic tilt does to them.

Frame of a hip: lateral, anterior, cranial; the cup axis is the unit vector out of its mouth. Left and
right hips give the same numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error

Array = NDArray[np.float64]
DEFINITIONS = ("radiographic", "operative", "anatomical")


def cup_axis(inclination_deg: ArrayLike, anteversion_deg: ArrayLike, *, given: str) -> Array:
    """The cup axis (…, 3): lateral, anterior, cranial, of an orientation in a definition.

    Parameters
    ----------
    inclination_deg, anteversion_deg
        Numbers or arrays [deg].
    given
        "radiographic", "operative" or "anatomical".

    Raises
    ------
    StudyError
        For another definition.

    References
    ----------
    Murray DW, The definition and measurement of acetabular orientation, J Bone Joint Surg Br
    1993;75:228-32.
    """
    _check(given)
    i = np.radians(np.asarray(inclination_deg, dtype=float))
    v = np.radians(np.asarray(anteversion_deg, dtype=float))
    if given == "radiographic":
        parts = np.cos(v) * np.sin(i), np.sin(v), -np.cos(v) * np.cos(i)
    elif given == "operative":
        parts = np.sin(i), np.cos(i) * np.sin(v), -np.cos(i) * np.cos(v)
    else:
        parts = np.sin(i) * np.cos(v), np.sin(i) * np.sin(v), -np.cos(i)
    return np.stack(np.broadcast_arrays(*parts), axis=-1)


def orientation_of_axis(axis: ArrayLike, *, wanted: str) -> tuple[Array, Array]:
    """Inclination and anteversion [deg] of a cup axis (…, 3), in a definition; inverse of `cup_axis`."""
    _check(wanted)
    vector = np.asarray(axis, dtype=float)
    lateral, anterior, cranial = np.moveaxis(vector / np.linalg.norm(vector, axis=-1, keepdims=True), -1, 0)
    if wanted == "radiographic":
        angles = np.arctan2(lateral, -cranial), np.arcsin(np.clip(anterior, -1, 1))
    elif wanted == "operative":
        angles = np.arcsin(np.clip(lateral, -1, 1)), np.arctan2(anterior, -cranial)
    else:
        angles = np.arccos(np.clip(-cranial, -1, 1)), np.arctan2(anterior, lateral)
    return np.degrees(angles[0]), np.degrees(angles[1])


def cup_orientation(
    inclination_deg: ArrayLike, anteversion_deg: ArrayLike, *, given: str, wanted: str
) -> tuple[Array, Array]:
    """Inclination and anteversion of the same cup in another definition.

    Parameters
    ----------
    inclination_deg, anteversion_deg
        Numbers or arrays [deg].
    given, wanted
        "radiographic", "operative" or "anatomical".

    Returns
    -------
    inclination_deg, anteversion_deg
        [deg], shaped like the input.

    Notes
    -----
    Operative ≤ radiographic ≤ anatomical inclination; radiographic anteversion is the smallest of three.

    References
    ----------
    Murray DW, The definition and measurement of acetabular orientation, J Bone Joint Surg Br
    1993;75:228-32.

    Examples
    --------
    >>> inclination, anteversion = cup_orientation(40, 15, given="radiographic", wanted="operative")
    >>> round(float(inclination), 2), round(float(anteversion), 2)
    (38.38, 19.28)
    """
    return orientation_of_axis(cup_axis(inclination_deg, anteversion_deg, given=given), wanted=wanted)


def cup_orientation_after_tilt(
    inclination_deg: ArrayLike, anteversion_deg: ArrayLike, *, tilt_deg: ArrayLike
) -> tuple[Array, Array]:
    """Radiographic orientation of a cup after the pelvis has tilted.

    Parameters
    ----------
    inclination_deg, anteversion_deg
        Radiographic, before [deg].
    tilt_deg
        Turn about the transverse axis [deg]; anterior tilt is positive and lessens anteversion.

    Notes
    -----
    Tilt leaves operative inclination as it is and takes `tilt_deg` from operative anteversion.

    References
    ----------
    Derived from Murray DW, J Bone Joint Surg Br 1993;75:228-32.
    """
    inclination, anteversion = cup_orientation(
        inclination_deg, anteversion_deg, given="radiographic", wanted="operative"
    )
    return cup_orientation(
        inclination, anteversion - np.asarray(tilt_deg, dtype=float), given="operative", wanted="radiographic"
    )


def _check(definition: str) -> None:
    if definition not in DEFINITIONS:
        raise study_error(
            column="definition",
            found=definition,
            expected="one of " + ", ".join(DEFINITIONS),
            remedy="Name the definition the angles are in; a value without its definition is not a value",
        )
