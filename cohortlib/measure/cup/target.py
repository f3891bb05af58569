"""How far a cup stands from an orientation that was named beforehand."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem

_ANGLES = ("inclination", "anteversion")


def distance_from_target(
    cups: pd.DataFrame, *, target_inclination_deg: float, target_anteversion_deg: float
) -> pd.DataFrame:
    """Distance of each cup from a target, in degrees, with its standard deviation.

    Parameters
    ----------
    cups
        One row a cup: inclination, inclination_sd, anteversion, anteversion_sd [deg]; missing is allowed.
    target_inclination_deg, target_anteversion_deg
        The target [deg], in the definition of the angles. There is no right one: name it before the data
        are read.

    Returns
    -------
    DataFrame
        With the index of `cups`: distance, distance_sd [deg]; missing where an angle or its sd is.

    Raises
    ------
    StudyError
        If a column is missing, or the target is no orientation of a cup: angles from 0 to 90 degrees.

    Notes
    -----
    ``d = √((inclination − target)² + (anteversion − target)²)``: how far apart both points lie in the usual
    plot of one angle against the other, not the angle between two cup axes in space. The distance has no
    sign: too steep and too flat count alike. Its standard deviation is carried over to first order, the
    errors of both angles taken as independent; on the target itself, where no direction is the first, it is
    that of their mean variance. Error makes a cup near the target seem further away than it is.

    Example
    -------
    >>> cups = pd.DataFrame({"inclination": [43.0], "inclination_sd": [1.0],
    ...                      "anteversion": [19.0], "anteversion_sd": [2.0]})
    >>> target = {"target_inclination_deg": 40, "target_anteversion_deg": 15}
    >>> distance_from_target(cups, **target).round(2).to_numpy().tolist()
    [[5.0, 1.71]]
    """
    target = dict(zip(_ANGLES, (target_inclination_deg, target_anteversion_deg), strict=True))
    _check(cups, target)
    away = {angle: cups[angle].to_numpy(dtype=float) - target[angle] for angle in _ANGLES}
    variance = {angle: cups[f"{angle}_sd"].to_numpy(dtype=float) ** 2 for angle in _ANGLES}
    distance = np.hypot(*away.values())
    on_target = distance == 0
    weight = {angle: (away[angle] / np.where(on_target, 1.0, distance)) ** 2 for angle in _ANGLES}
    spread = sum(np.where(on_target, 0.5, weight[angle]) * variance[angle] for angle in _ANGLES)
    return pd.DataFrame({"distance": distance, "distance_sd": np.sqrt(spread)}, index=cups.index)


def _check(cups: pd.DataFrame, target: dict[str, float]) -> None:
    columns = [name for angle in _ANGLES for name in (angle, f"{angle}_sd")]
    problems = [
        problem(
            file="cups",
            column=name,
            found="no such column",
            expected="columns " + ", ".join(columns),
            remedy="Put both angles of a hip side by side",
        )
        for name in columns
        if name not in cups.columns
    ]
    problems += [
        problem(
            column=f"target_{angle}_deg",
            found=float(value),
            expected="an angle from 0 to 90 degrees",
            remedy="Give the target in degrees, inclination first",
        )
        for angle, value in target.items()
        if not 0 <= value <= 90
    ]
    if problems:
        raise StudyError(problems)
