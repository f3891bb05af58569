"""What a cup reads as if the beam were parallel, and what it is, where the beam is known."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.ellipse import Ellipse
from cohortlib.geometry.projection import source_position
from cohortlib.geometry.propagation import propagated_sd
from cohortlib.measure.cup.rim import orientations_of_shadow

Array = NDArray[np.float64]
#: Radius of a rim as a film shows it [mm]: the correction hardly depends on it.
_RIM_RADIUS_MM = 29.0


def cup_orientation_without_beam_offset(
    inclination_deg: float,
    anteversion_deg: float,
    *,
    lateral_mm: float,
    proximal_mm: float,
    source_to_detector_mm: float,
) -> tuple[float, float]:
    """Radiographic orientation of a cup that was read as if the beam were parallel, corrected for the beam.

    Parameters
    ----------
    inclination_deg, anteversion_deg
        As read: slope of the long axis, and arcsine of minor over major axis [deg]; anteverted.
    lateral_mm, proximal_mm
        Where the centre of the rim's shadow lies from the central ray, **on the detector** [mm]: + is to
        the side of the hip, + is to the head.
    source_to_detector_mm
        [mm].

    Returns
    -------
    inclination_deg, anteversion_deg
        [deg].

    Raises
    ------
    StudyError
        If the distance is none of a source above a detector, or the anteversion read is negative.

    Notes
    -----
    The outline that was read is built again and the point projection undone. A film centred on the
    pelvis reads about 3 to 6 degrees less anteversion than one centred on the hip. An error of 10 mm in the
    place of the central ray changes the result by about 0.4 degrees.

    References
    ----------
    Effect and its size: Derbyshire B, Med Eng Phys 2008;30:1119-26.
    """
    if not 500 <= source_to_detector_mm <= 5000:
        raise study_error(
            column="source_to_detector_mm",
            found=float(source_to_detector_mm),
            expected="500 to 5000 mm",
            remedy="Give the distance of the source from the detector; without it there is no correction",
        )
    if not 0 <= anteversion_deg < 90:
        raise study_error(
            column="anteversion_deg",
            found=float(anteversion_deg),
            expected="0 to 90 degrees: one film does not show the sign",
            remedy="Give the anteversion as read off the ellipse",
        )
    minor = max(_RIM_RADIUS_MM * np.sin(np.radians(anteversion_deg)), 1e-3)
    rim = Ellipse(np.array([lateral_mm, proximal_mm]), (_RIM_RADIUS_MM, float(minor)), inclination_deg)
    source = source_position(source_to_detector_mm, (0.0, 0.0))
    return orientations_of_shadow(rim, 1.0, source)[0]


def beam_offset_sd(
    inclination_deg: float,
    anteversion_deg: float,
    *,
    inclination_sd_deg: float,
    anteversion_sd_deg: float,
    lateral_mm: float,
    proximal_mm: float,
    place_sd_mm: float,
    source_to_detector_mm: float,
    distance_sd_mm: float,
) -> tuple[float, float]:
    """Standard deviations of both angles after `cup_orientation_without_beam_offset` [deg].

    Parameters
    ----------
    inclination_deg, anteversion_deg, lateral_mm, proximal_mm, source_to_detector_mm
        As there.
    inclination_sd_deg, anteversion_sd_deg
        Of the angles as read.
    place_sd_mm
        Of the place of the central ray, along each axis [mm].
    distance_sd_mm
        Of the distance of the source [mm].

    Notes
    -----
    To first order, errors independent. Where the outline is seen almost edge on the anteversion read hardly
    changes with the true one, and its standard deviation grows.
    """
    places: dict[str, Array] = {
        "read": np.array([inclination_deg, anteversion_deg]),
        "place": np.array([lateral_mm, proximal_mm]),
        "distance": np.array([source_to_detector_mm]),
    }
    covariances: dict[str, Array] = {
        "read": np.diag([inclination_sd_deg**2, anteversion_sd_deg**2]),
        "place": np.eye(2) * place_sd_mm**2,
        "distance": np.array([[distance_sd_mm**2]]),
    }

    def angle(k: int) -> float:
        def number(read: Any, place: Any, distance: Any) -> float:
            return cup_orientation_without_beam_offset(
                float(read[0]),
                float(read[1]),
                lateral_mm=float(place[0]),
                proximal_mm=float(place[1]),
                source_to_detector_mm=float(distance[0]),
            )[k]

        return propagated_sd(number, places, covariances)

    return angle(0), angle(1)
