"""Standardised differences: how far two groups lie apart, in standard deviations, whatever the unit."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from cohortlib.stats.clustered import clustered_regression
from cohortlib.stats.inputs import LEAST

Array = NDArray[np.float64]


def standardised_difference(values: ArrayLike, others: ArrayLike) -> float:
    """Mean of the values less that of the others, over the root of the mean of both variances.

    Parameters
    ----------
    values, others
        Finite numbers; a category as 0 and 1.

    Returns
    -------
    float
        NaN with fewer than two values in a group, or where nothing varies.

    Notes
    -----
    d = (m₁ − m₂)/√((s₁² + s₂²)/2). For shares s² = p(1 − p). Unlike a p value it does not grow with the
    number of patients; above 0.1 it is often called an imbalance (common practice).

    References
    ----------
    Austin PC. Balance diagnostics for comparing the distribution of baseline covariates between treatment
    groups in propensity-score matched samples. Stat Med 2009;28:3083-107.
    """
    one, other = np.asarray(values, dtype=float), np.asarray(others, dtype=float)
    spread = pooled_deviation(one, other)
    return float((one.mean() - other.mean()) / spread) if spread > 0 else float("nan")


def pooled_deviation(one: Array, other: Array) -> float:
    """Root of the mean of the two variances; NaN with fewer than two values in a group."""
    if min(one.size, other.size) < 2:
        return float("nan")
    binary = np.isin(one, (0, 1)).all() and np.isin(other, (0, 1)).all()
    variances = one.var(ddof=0 if binary else 1), other.var(ddof=0 if binary else 1)
    return float(np.sqrt(sum(variances) / 2))


def categorical_difference(counts: ArrayLike, others: ArrayLike) -> float:
    """How far the shares of several categories lie apart in two groups; never negative.

    Parameters
    ----------
    counts, others : (categories,)
        Number in each category.

    Returns
    -------
    float
        NaN with fewer than two in a group, or where all are in one category.

    Notes
    -----
    √(tᵀS⁻¹t), t the differences of all shares but the first and S the mean of the two multinomial
    covariances; with two categories it is the size of `standardised_difference`.

    References
    ----------
    Yang D, Dalton JE. A unified approach to measuring the effect size between two groups using SAS. SAS
    Global Forum 2012, paper 335.
    """
    one, other = np.asarray(counts, dtype=float), np.asarray(others, dtype=float)
    if min(one.sum(), other.sum()) < 2:
        return float("nan")
    shares = one / one.sum(), other / other.sum()
    occurring = (one + other) > 0
    if occurring.sum() < 2:
        return float("nan")
    first, second = (part[occurring][1:] for part in shares)
    spread = sum(np.diag(part) - np.outer(part, part) for part in (first, second)) / 2
    apart = first - second
    if np.linalg.matrix_rank(spread, tol=1e-12) < len(apart):
        return float("nan")  # the groups share no category
    return float(np.sqrt(max(apart @ np.linalg.solve(spread, apart), 0.0)))


def difference_interval(values: ArrayLike, first_group: ArrayLike, cluster: ArrayLike) -> tuple[float, float]:
    """95 % interval of the standardised difference, first group less the other, patients as clusters.

    Parameters
    ----------
    values, first_group, cluster : (n,)
        Finite number, whether in the first group, and whose row it is.

    Returns
    -------
    low, high : float
        NaN with fewer than three patients in a group, or where one does not vary: three patients who are
        all women say little of the next, and an interval that takes them for certain would say much.

    Notes
    -----
    se² = (CR2 error of the difference of means / pooled deviation)² + d²/(2 × patients); the second part is
    the uncertainty of the deviation (as in Hedges LV, Olkin I. Statistical Methods for Meta-Analysis.
    Academic Press 1985, chapter 5). Satterthwaite degrees of freedom of the difference.
    """
    number, first = np.asarray(values, dtype=float), np.asarray(first_group, dtype=bool)
    patients = np.asarray(cluster).astype(str)
    enough = min(np.unique(patients[first]).size, np.unique(patients[~first]).size) >= LEAST
    if not enough or min(np.ptp(number[first]), np.ptp(number[~first])) == 0:
        return float("nan"), float("nan")
    spread = pooled_deviation(number[first], number[~first])
    design = pd.DataFrame({"others": 1.0, "difference": first.astype(float)})
    fit = clustered_regression(number / spread, design, patients).iloc[1]
    d, error = float(fit["estimate"]), float(fit["standard_error"])
    reach = stats.t.ppf(0.975, float(fit["df"])) * np.sqrt(error**2 + d**2 / (2 * np.unique(patients).size))
    return d - float(reach), d + float(reach)
