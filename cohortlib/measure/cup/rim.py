"""Cup orientation from points on the shadow of its rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.ellipse import Ellipse, ellipse_from_parameters, fit_ellipse
from cohortlib.geometry.projection import circle_normals, source_position
from cohortlib.measure.cup.definitions import orientation_of_axis

Array = NDArray[np.float64]
Beam = tuple[float, tuple[float, float]]

POINT_PROJECTION = "rim, inversion of the point projection"
PARALLEL = "rim, parallel beam"


@dataclass(frozen=True)
class CupOrientation:
    """Radiographic orientation of a cup, as one film shows it.

    Attributes
    ----------
    inclination_deg, anteversion_deg
        [deg].
    inclination_sd_deg, anteversion_sd_deg
        Standard deviations propagated from the fit [deg]; NaN when there is nothing to judge by.
    method
        Which formula was used.
    note
        What one must know about this value; "" if nothing.
    other
        The second (inclination, anteversion) that casts the same outline [deg].
    """

    inclination_deg: float
    anteversion_deg: float
    inclination_sd_deg: float
    anteversion_sd_deg: float
    method: str
    note: str
    other: tuple[float, float]


def cup_orientation_from_rim(
    rim_points_mm: ArrayLike, *, side: str, beam: Beam | None = None
) -> CupOrientation:
    """Radiographic inclination and anteversion of the circle that casts this rim.

    Parameters
    ----------
    rim_points_mm : (n, 2), n >= 5
        Points of the rim's shadow on the detector [mm]: x to the image's right (the patient's left),
        y up, x along the inter-teardrop line.
    side
        "left" or "right", of the patient.
    beam
        (source_to_detector_mm, (x, y) of the beam centre on the detector in mm, in the frame of the
        points), or None: the beam is then taken as parallel.

    Returns
    -------
    CupOrientation

    Raises
    ------
    StudyError
        Fewer than five points, points on no ellipse, an unknown side, a source not above the detector.

    Notes
    -----
    Two poses of a circle cast the same outline. The anteverted one is returned; where both are, the
    larger is returned, `note` says so and `other` holds the second. A parallel beam cannot tell front
    from back at all.
    """
    sign = lateral_sign(side)
    source = None if beam is None else _source(beam)
    shadow = fit_ellipse(rim_points_mm)
    chosen, other = orientations_of_shadow(shadow, sign, source)
    deviations = _deviations(shadow, sign, source)
    return CupOrientation(
        inclination_deg=chosen[0],
        anteversion_deg=chosen[1],
        inclination_sd_deg=deviations[0],
        anteversion_sd_deg=deviations[1],
        method=PARALLEL if beam is None else POINT_PROJECTION,
        note=ambiguity_note(chosen, other),
        other=other,
    )


def lateral_sign(side: str) -> float:
    """+1 where lateral is to the image's right (a left hip), -1 for a right hip."""
    if side not in ("left", "right"):
        raise study_error(
            column="side",
            found=side,
            expected="'left' or 'right', of the patient",
            remedy="Name the side of the hip",
        )
    return 1.0 if side == "left" else -1.0


def ambiguity_note(chosen: tuple[float, float], other: tuple[float, float], *, slack_deg: float = 0.0) -> str:
    """What to say of the second pose with the same outline; "" where it is plainly not anteverted.

    Within `slack_deg` of none, it may be.
    """
    if other[1] > -slack_deg:
        return (
            f"two anteverted poses cast this outline: {chosen[0]:.1f}/{chosen[1]:.1f} deg "
            f"and {other[0]:.1f}/{other[1]:.1f} deg"
        )
    if chosen[1] <= 0:
        return "neither pose that casts this outline is anteverted"
    return ""


def _source(beam: Beam) -> Array:
    distance, centre = beam
    if not np.isfinite(distance) or distance <= 0:
        raise study_error(
            column="beam",
            found=distance,
            expected="a source-to-detector distance above 0 mm",
            remedy="Give the distance in mm, or None for a parallel beam",
        )
    return source_position(distance, centre)


def orientations_of_shadow(
    shadow: Ellipse, sign: float, source: Array | None
) -> tuple[tuple[float, float], tuple[float, float]]:
    """The two radiographic orientations (inclination, anteversion) of an outline, the more anteverted first.

    `sign` is that of `lateral_sign`; `source` None is a parallel beam.
    """
    found = []
    for right, up, toward_source in circle_normals(shadow, source):
        axis = np.array([sign * right, toward_source, up])
        # A cup opens downwards; one that lies flat (inclination 90) opens to the side.
        if axis[2] > 0 or (axis[2] == 0 and axis[0] < 0):
            axis = -axis
        inclination, anteversion = orientation_of_axis(axis, wanted="radiographic")
        found.append((float(inclination), float(anteversion)))
    found.sort(key=lambda pose: -pose[1])
    return found[0], found[1]


def _deviations(shadow: Ellipse, sign: float, source: Array | None) -> tuple[float, float]:
    """Standard deviations of the chosen pose by first-order propagation from the ellipse."""
    if not np.isfinite(shadow.covariance).all():
        return np.nan, np.nan
    centre = shadow.parameters
    steps = np.array([1e-3, 1e-3, 1e-3, 1e-3, 1e-4])
    slopes = np.empty((2, 5))
    for column, step in enumerate(steps):
        ends = []
        for direction in (-1.0, 1.0):
            moved = centre.copy()
            moved[column] += direction * step
            ends.append(orientations_of_shadow(ellipse_from_parameters(moved), sign, source)[0])
        slopes[:, column] = (np.array(ends[1]) - np.array(ends[0])) / (2.0 * step)
    variances = np.diag(slopes @ shadow.covariance @ slopes.T)
    inclination_sd, anteversion_sd = np.sqrt(np.maximum(variances, 0.0))
    return float(inclination_sd), float(anteversion_sd)
