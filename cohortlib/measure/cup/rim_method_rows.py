"""Anteversion by every named method from marks on the rim, as measurement rows beside each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.ellipse import Ellipse, ellipse_distances, fit_ellipse
from cohortlib.measure.cup.rim_methods import SHORT_AXIS_LENGTH, WIDMER_RATIO, anteversion_by_methods

Array = NDArray[np.float64]
_MOST_CONDITION = 1e14
_FRONT = "one film does not tell front from back"


def anteversion_rows_by_methods(
    rim_points_mm: ArrayLike, *, click_sd_mm: float, total_length_mm: float | None = None
) -> pd.DataFrame:
    """Anteversion of one cup by every method that its marked rim allows.

    Parameters
    ----------
    rim_points_mm : (n, 2), n >= 5
        Marks on the rim of the cup on the film [mm], well around it.
    click_sd_mm
        Standard deviation of one mark along each axis [mm on the film]; 0 for a rim that is known. It has no
        default: five or six marks do not tell it, so closely does an ellipse follow them.
    total_length_mm
        Of the cup along its short axis, from the far edge of the rim to the dome [mm]; None leaves out the
        method that needs it.

    Returns
    -------
    DataFrame
        One row a method: quantity ("anteversion"), zone, value, unit, sd, method, note. Empty with the reason
        where a method does not hold. sd is what the marks' error makes of the angle.

    Raises
    ------
    StudyError
        Fewer than five points, points on no ellipse, an error that is none, or a length shorter than the rim
        is high.

    Notes
    -----
    Take one method for a study, and name it: rows of several methods are refused wherever one value of a cup
    is expected. From a beam taken as parallel: of a cup off the central ray it reads up to 5 degrees less.

    References
    ----------
    Those of `rim_methods`. Compared on 71 hips: Park YS et al., J Orthop Surg Res 2018;13:66.
    """
    if not (np.isfinite(click_sd_mm) and click_sd_mm >= 0):
        raise study_error(
            column="click_sd_mm",
            found=float(click_sd_mm),
            expected="0 or more",
            remedy="Give how far one mark scatters, from readings of the same films twice",
        )
    rim = fit_ellipse(rim_points_mm)
    rim = replace(rim, covariance=_covariance(rim, np.asarray(rim_points_mm, dtype=float), click_sd_mm))
    height = 2.0 * rim.semi_axes[1]
    if total_length_mm is not None and not total_length_mm > height:
        raise study_error(
            column="total_length_mm",
            found=float(total_length_mm),
            expected=f"more than the short axis of the rim, {height:.1f} mm",
            remedy="Measure from the far edge of the rim to the dome",
        )
    table = anteversion_by_methods(rim, total_length=total_length_mm)
    beyond = table["method"].eq(SHORT_AXIS_LENGTH) & table["value"].isna()
    low, high = WIDMER_RATIO
    ratio = np.nan if total_length_mm is None else height / total_length_mm
    reason = f"short axis over total length is {ratio:.2f}; holds from {low:g} to {high:g}"
    return pd.DataFrame(
        {
            "quantity": "anteversion",
            "zone": "",
            "value": table["value"],
            "unit": "deg",
            "sd": table["sd"].mask(beyond | ~np.isfinite(table["sd"])),
            "method": "radiographic; " + table["method"] + "; rim as marked, parallel beam",
            "note": np.where(beyond, reason, _FRONT),
        }
    )


def _covariance(rim: Ellipse, points_mm: Array, click_sd_mm: float) -> Array:
    """Of x, y, both axes and the angle; no numbers where the marks do not tell them apart."""
    # How the marks' distances change with each of the five.
    steps = 1e-4 * np.array([*[rim.semi_axes[0]] * 4, 1.0])
    changes = [
        (
            ellipse_distances(rim.parameters + step, points_mm)
            - ellipse_distances(rim.parameters - step, points_mm)
        )
        / (2.0 * step.max())
        for step in np.diag(steps)
    ]
    information = np.array(changes) @ np.array(changes).T
    if np.linalg.cond(information) > _MOST_CONDITION:
        return np.full((5, 5), np.nan)
    return np.asarray(click_sd_mm**2 * np.linalg.inv(information))
