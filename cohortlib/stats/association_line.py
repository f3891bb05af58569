"""The fitted line of an association with its band, for drawing over the points it was fitted to."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.stats.association import UnitOfAnalysis, _complete_rows, _design, _one_row_a_patient
from cohortlib.stats.clustered import clustered_regression
from cohortlib.stats.inputs import LEAST, check_choice, check_columns, check_names, check_one_row_a_hip

Array = NDArray[np.float64]


def association_line(
    table: pd.DataFrame,
    *,
    outcome: str,
    exposure: str,
    cluster: str,
    covariates: Sequence[str] = (),
    unit_of_analysis: UnitOfAnalysis,
    at: ArrayLike,
) -> pd.DataFrame:
    """Mean outcome that the model of `association` gives at each exposure, with its 95 % interval.

    Parameters
    ----------
    table, outcome, exposure, cluster, covariates, unit_of_analysis
        As given to `association`, so that the line drawn has the slope that is reported.
    at
        Shape (n,): exposures at which to give the line, within those of the rows used.

    Returns
    -------
    DataFrame
        One row a place: the column named as `exposure`, estimate, ci_low, ci_high, standard_error, df, in the
        unit of the outcome. Where `association` gives no slope the numbers are empty.

    Raises
    ------
    StudyError
        As `association`; also if a place is not finite or lies beyond the data, where the line is a guess.

    Notes
    -----
    Every covariate is held at its mean over the rows used, a category at its mix. With the exposure counted
    from the place x instead of from zero the fitted mean at x is the model's intercept; its variance and
    degrees of freedom are those of the contrast, CR2 with Satterthwaite (`clustered_regression`), and with
    one row a patient HC2. The band is pointwise: it holds the mean at one place in 95 of 100 studies, not the
    whole line, and says nothing of where the next patient will be.

    References
    ----------
    As `clustered_regression`.

    Example
    -------
    >>> hips = pd.DataFrame({"patient_id": ["p1", "p1", "p2", "p3", "p4"], "hip_id": list("abcde"),
    ...                      "inclination": [38, 44, 41, 47, 52], "score": [46, 46, 44, 43, 39]})
    >>> line = association_line(hips, outcome="score", exposure="inclination", cluster="patient_id",
    ...                         unit_of_analysis="hip", at=[40, 50])
    >>> line[["inclination", "estimate"]].round(1).to_numpy().tolist()
    [[40.0, 45.6], [50.0, 41.0]]
    """
    check_choice("unit_of_analysis", unit_of_analysis, ("hip", "patient"))
    check_names("covariates", covariates)
    check_columns(table, [cluster, "hip_id", outcome, exposure, *covariates])
    check_one_row_a_hip(table)
    rows = _complete_rows(table, outcome, exposure, cluster, covariates)
    if unit_of_analysis == "patient":
        rows = _one_row_a_patient(rows, outcome)
    places = _places(at, rows["exposure"].to_numpy(dtype=float), exposure)
    columns = ["estimate", "ci_low", "ci_high", "standard_error", "df"]
    line = np.full((len(places), len(columns)), np.nan)
    if rows["patient"].nunique() >= LEAST and min(np.ptp(rows["exposure"]), np.ptp(rows["outcome"])) > 0:
        design = _design(rows, len(covariates))
        for place, x in enumerate(places):
            counted_from_x = design.assign(exposure=rows["exposure"] - x)
            fit = clustered_regression(rows["outcome"], counted_from_x, rows["patient"])
            line[place] = fit[columns].to_numpy(dtype=float)[0]
    result = pd.DataFrame(line, columns=columns)
    result.insert(0, exposure, places)
    return result


def _places(at: ArrayLike, exposures: Array, exposure: str) -> Array:
    places = np.atleast_1d(np.asarray(at, dtype=float))
    low, high = (exposures.min(), exposures.max()) if len(exposures) else (-np.inf, np.inf)
    # A grid made by steps may miss its own end by a rounding.
    slack = 1e-9 * max(1.0, abs(low), abs(high)) if len(exposures) else 0.0
    wrong = ~np.isfinite(places) | (places < low - slack) | (places > high + slack)
    if places.ndim != 1 or places.size == 0 or wrong.any():
        raise study_error(
            column=f"at, {exposure}",
            found=float(places[wrong].flat[0]) if wrong.any() else f"an array of shape {places.shape}",
            count=max(1, int(wrong.sum())),
            expected=f"a list of numbers from {low:.4g} to {high:.4g}, as far as the data reach",
            remedy="Draw the line no further than its data",
        )
    return places
