"""A cup seen from the film and from the pelvis: what tilt and rotation of the pelvis do to its angles."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.measure.cup.definitions import cup_axis, orientation_of_axis

Array = NDArray[np.float64]


def cup_orientation_in_pelvis(
    inclination_deg: ArrayLike, anteversion_deg: ArrayLike, *, tilt_deg: ArrayLike, rotation_deg: ArrayLike
) -> tuple[Array, Array]:
    """Radiographic orientation against the pelvis, of a cup measured against the film.

    Parameters
    ----------
    inclination_deg, anteversion_deg
        Radiographic, to the film, corrected for the beam [deg].
    tilt_deg
        Of the pelvis about its transverse axis [deg]; + anterior; 0 puts the anterior pelvic plane parallel
        to the film.
    rotation_deg
        Of the pelvis about its long axis [deg]; + turns its front to the side of this hip.

    Returns
    -------
    inclination_deg, anteversion_deg
        [deg].

    Notes
    -----
    The pelvis is first tilted, then turned; both are undone in the other order. Obliquity is out already:
    the inclination is measured to the inter-teardrop line. One degree of tilt changes anteversion by about
    0.77 degrees at 40/15, one of rotation by about 0.6. Tilt and rotation estimated from the same film carry
    their own errors: `pelvic_tilt` is good to some degrees only.

    References
    ----------
    Derived from Murray DW, J Bone Joint Surg Br 1993;75:228-32.
    """
    axis = cup_axis(inclination_deg, anteversion_deg, given="radiographic")
    lateral, anterior, cranial = np.moveaxis(axis, -1, 0)
    turn, tilt = np.radians(np.asarray(rotation_deg, float)), np.radians(np.asarray(tilt_deg, float))
    lateral, anterior = (
        lateral * np.cos(turn) - anterior * np.sin(turn),
        anterior * np.cos(turn) + lateral * np.sin(turn),
    )
    anterior, cranial = (
        anterior * np.cos(tilt) - cranial * np.sin(tilt),
        cranial * np.cos(tilt) + anterior * np.sin(tilt),
    )
    parts = np.broadcast_arrays(lateral, anterior, cranial)
    return orientation_of_axis(np.stack(parts, axis=-1), wanted="radiographic")


def cup_orientation_on_film(
    inclination_deg: ArrayLike, anteversion_deg: ArrayLike, *, tilt_deg: ArrayLike, rotation_deg: ArrayLike
) -> tuple[Array, Array]:
    """Radiographic orientation to the film, of a cup that stands so in the pelvis.

    The inverse of `cup_orientation_in_pelvis`, with the same parameters.
    """
    axis = cup_axis(inclination_deg, anteversion_deg, given="radiographic")
    lateral, anterior, cranial = np.moveaxis(axis, -1, 0)
    turn, tilt = np.radians(np.asarray(rotation_deg, float)), np.radians(np.asarray(tilt_deg, float))
    anterior, cranial = (
        anterior * np.cos(tilt) + cranial * np.sin(tilt),
        cranial * np.cos(tilt) - anterior * np.sin(tilt),
    )
    lateral, anterior = (
        lateral * np.cos(turn) + anterior * np.sin(turn),
        anterior * np.cos(turn) - lateral * np.sin(turn),
    )
    parts = np.broadcast_arrays(lateral, anterior, cranial)
    return orientation_of_axis(np.stack(parts, axis=-1), wanted="radiographic")
