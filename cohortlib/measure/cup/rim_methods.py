"""Published ways to read anteversion off the rim on one film, side by side under their names.

All give the radiographic anteversion, from a beam taken as parallel, and none its sign. On a whole ellipse
the first four agree exactly; on a film they differ by what they need to see of it. They are never mixed: a
value bears the name of its method.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.ellipse import Ellipse

Array = NDArray[np.float64]
AXIS_RATIO = "ratio of the axes (Lewinnek 1978)"
END_ANGLE = "angle at the end of the long axis (Liaw 2008)"
FIFTH = "perpendicular at one fifth of the long axis (Pradhan 1999)"
STATION = "half height at a station of the long axis (Hassan 1995, Ackland 1986)"
SHORT_AXIS_LENGTH = "short axis over total length (Widmer 2004)"
METHODS = (AXIS_RATIO, END_ANGLE, FIFTH, STATION, SHORT_AXIS_LENGTH)
#: Where Widmer's line holds.
WIDMER_RATIO = (0.2, 0.6)


def anteversion_from_axes(minor: ArrayLike, major: ArrayLike) -> Array:
    """``arcsin(minor / major)`` [deg] (Lewinnek GE et al., 1978; from memory)."""
    return _arcsin(np.divide(minor, major), "minor over major axis")


def anteversion_from_end_angle(end_angle_deg: ArrayLike) -> Array:
    """``arcsin(tan β)`` [deg], β at an end of the long axis, between it and the top of the ellipse.

    References
    ----------
    Liaw CK et al., Comput Math Methods Med 2008;9:105-19 (formula from memory, agrees with the ellipse).
    """
    return _arcsin(np.tan(np.radians(np.asarray(end_angle_deg, dtype=float))), "tangent of the end angle")


def anteversion_from_fifth(perpendicular: ArrayLike, diameter: ArrayLike) -> Array:
    """``arcsin(p / (0.4 D))`` [deg], p from the long axis to the rim at one fifth of its length D.

    References
    ----------
    Pradhan R, 1999 (from memory; exact for an ellipse).
    """
    return _arcsin(
        np.divide(perpendicular, 0.4 * np.asarray(diameter, dtype=float)), "perpendicular over 0.4 D"
    )


def anteversion_from_station(half_height: ArrayLike, station: ArrayLike, diameter: ArrayLike) -> Array:
    """``arcsin(h / √(m (D − m)))`` [deg], h from the long axis to the rim at the station m along it.

    References
    ----------
    Hassan DM 1995; Ackland MK 1986 (from memory, algebra checked).
    """
    along, whole = np.asarray(station, dtype=float), np.asarray(diameter, dtype=float)
    if not ((along > 0) & (along < whole)).all():
        raise study_error(
            column="station",
            found=str(station),
            expected="a place on the long axis, more than 0 and less than its length",
            remedy="Measure the station from one end of the long axis",
        )
    return _arcsin(np.asarray(half_height, dtype=float) / np.sqrt(along * (whole - along)), "half height")


def anteversion_from_short_axis(short_axis: ArrayLike, total_length: ArrayLike) -> Array:
    """``48.05 S/TL − 0.3`` [deg], S the short axis and TL the whole cup along it; NaN outside 0.2 to 0.6.

    Notes
    -----
    On an ideal hemisphere and a parallel beam this line reads 3 to 4.5 degrees too much between 10 and 25.

    References
    ----------
    Widmer KH, J Arthroplasty 2004;19:387-90 (from memory).
    """
    ratio = np.divide(short_axis, total_length)
    low, high = WIDMER_RATIO
    return np.where((ratio > low) & (ratio < high), 48.05 * ratio - 0.3, np.nan)


def anteversion_by_methods(rim: Ellipse, *, total_length: float | None = None) -> pd.DataFrame:
    """Anteversion of one rim by every method that it allows.

    Parameters
    ----------
    rim
        Shadow of the rim.
    total_length
        From the far edge of the rim to the dome along the short axis, in the unit of the rim; None leaves
        that method out.

    Returns
    -------
    DataFrame
        method, value, sd [deg]; sd is carried over from the fit of the ellipse, NaN where it has none.

    Notes
    -----
    ``sd(RA) = sd(minor/major) / cos RA``: 0.01 in the ratio is 0.57 degrees at none and 0.66 at 30.
    """
    major, minor = rim.semi_axes
    fifth = minor * np.sqrt(1.0 - 0.6**2)
    values = {
        AXIS_RATIO: anteversion_from_axes(minor, major),
        END_ANGLE: anteversion_from_end_angle(np.degrees(np.arctan2(minor, major))),
        FIFTH: anteversion_from_fifth(fifth, 2.0 * major),
        STATION: anteversion_from_station(minor * np.sqrt(0.75), 0.5 * major, 2.0 * major),
    }
    ratio_sd = _ratio_sd(rim)
    sds = {name: ratio_sd / np.cos(np.radians(value)) for name, value in values.items()}
    if total_length is not None:
        values[SHORT_AXIS_LENGTH] = anteversion_from_short_axis(2.0 * minor, total_length)
        sds[SHORT_AXIS_LENGTH] = 48.05 * np.radians(ratio_sd) * 2.0 * major / total_length
    return pd.DataFrame(
        {
            "method": list(values),
            "value": [float(value) for value in values.values()],
            "sd": [float(sds[name]) for name in values],
        }
    )


def _ratio_sd(rim: Ellipse) -> float:
    """Standard deviation of minor over major, in degrees."""
    major, minor = rim.semi_axes
    slopes = np.array([-minor / major**2, 1.0 / major])
    return float(np.degrees(np.sqrt(slopes @ rim.covariance[2:4, 2:4] @ slopes)))


def _arcsin(ratio: ArrayLike, what: str) -> Array:
    array = np.asarray(ratio, dtype=float)
    if (np.abs(array) > 1.0 + 1e-9).any():
        raise study_error(
            column=what,
            found=float(np.abs(array).max()),
            expected="a ratio of at most 1",
            remedy="Check which axis is the long one, and the marks",
        )
    return np.degrees(np.arcsin(np.clip(array, -1.0, 1.0)))
