"""Least squares when several rows belong to one patient: honest standard errors from few patients."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, stats

from cohortlib.errors import study_error
from cohortlib.stats.inputs import LEAST, check_choice, codes

Array = NDArray[np.float64]
Correction = Literal["CR2", "CR1"]

#: A direction of the data with less freedom than this is settled by one patient; its spread is unseen.
_SETTLED = 1e-10


def clustered_regression(
    outcome: ArrayLike, design: pd.DataFrame, cluster: ArrayLike, *, correction: Correction = "CR2"
) -> pd.DataFrame:
    """Ordinary least squares with a covariance that lets the rows of one patient resemble each other.

    Parameters
    ----------
    outcome
        Shape (n,), finite.
    design
        Shape (n, p), one named column a term, the intercept included if there is to be one.
    cluster
        Shape (n,): whose row it is.
    correction
        "CR2": bias-reduced covariance with Satterthwaite degrees of freedom, for few patients. "CR1": the
        simple factor G/(G−1)·(n−1)/(n−p) with G − 1 degrees of freedom, to compare with other programs.

    Returns
    -------
    DataFrame
        One row a term: term, estimate, standard_error, df, ci_low, ci_high (95 %), p_value, settled_by_one
        (True where a single patient decides part of the term, whose spread is then not known in full).
        Fewer than three patients: empty numbers.

    Raises
    ------
    StudyError
        If the terms cannot be told apart (one is a sum of others, or does not vary), lengths differ, or an
        outcome is missing.

    Notes
    -----
    With M = (XᵀX)⁻¹, the residuals e_g and the rows X_g of patient g, the covariance is
    M (Σ X_gᵀ A_g e_g e_gᵀ A_g X_g) M with A_g = (I − X_g M X_gᵀ)^(−1/2), the symmetric square root. Were
    the rows independent with equal spread (the working model), its expectation would be exactly σ²M: the
    residuals' shrinkage towards the fit is undone. Degrees of freedom for a term c: with the vectors
    p_g = (I − H)_g A_g X_g M c, they are (Σ p_gᵀp_g)² / ΣΣ (p_gᵀp_h)². With one row a patient this is the
    leverage-corrected covariance HC2. Below about four degrees of freedom no interval is to be trusted.

    References
    ----------
    Bell RM, McCaffrey DF. Bias reduction in standard errors for linear regression with multi-stage samples.
    Surv Methodol 2002;28:169-81.
    Pustejovsky JE, Tipton E. Small-sample methods for cluster-robust variance estimation and hypothesis
    testing in fixed effects models. J Bus Econ Stat 2018;36:672-83.

    Example
    -------
    >>> design = pd.DataFrame({"intercept": 1.0, "tilt": [1, 2, 3, 4, 5, 6]})
    >>> fit = clustered_regression([2, 3, 5, 4, 6, 8], design, ["p1", "p1", "p2", "p3", "p3", "p4"])
    >>> fit["estimate"].round(3).tolist()
    [0.867, 1.086]
    """
    check_choice("correction", correction, ("CR2", "CR1"))
    y, x = np.asarray(outcome, dtype=float), design.to_numpy(dtype=float)
    group, n_groups = codes(np.asarray(cluster).astype(str))
    if not len(y) == len(x) == len(group) or not (np.isfinite(y).all() and np.isfinite(x).all()):
        raise study_error(
            column="outcome, design, cluster",
            found=f"{len(y)}, {len(x)}, {len(group)} rows",
            expected="as many rows each, all with finite values",
            remedy="Take all three from the same table, complete rows only",
        )
    names = list(design.columns)
    if n_groups < LEAST:
        return _result(names, *np.full((4, len(names)), np.nan))
    q, bread = _factors(x, names)
    residuals = y - q @ (q.T @ y)
    parts = _parts(q, residuals, bread, group, corrected=correction == "CR2")
    variance = (parts.scores**2).sum(axis=0)
    if correction == "CR1":
        n, p = x.shape
        variance *= n_groups / (n_groups - 1) * (n - 1) / (n - p)
        df, seen = np.full(p, n_groups - 1.0), np.ones(p)
    else:
        df, seen = _satterthwaite(parts, bread)
    known = seen > _SETTLED
    error = np.sqrt(np.where(known, variance, np.nan))
    return _result(names, bread @ (q.T @ y), error, np.where(known, df, np.nan), seen)


def _result(names: list[str], estimate: Array, error: Array, df: Array, seen: Array) -> pd.DataFrame:
    half_width = stats.t.ppf(0.975, df) * error
    with np.errstate(divide="ignore", invalid="ignore"):
        p_value = 2 * stats.t.sf(np.abs(estimate / error), df)
    return pd.DataFrame(
        {
            "term": names,
            "estimate": estimate,
            "standard_error": error,
            "df": df,
            "ci_low": estimate - half_width,
            "ci_high": estimate + half_width,
            "p_value": p_value,
            "settled_by_one": seen < 1 - 1e-6,
        }
    )


class _Parts(NamedTuple):
    """For each patient (rows) and term (columns): its share of the estimate's error, and of its spread."""

    scores: Array
    own: Array  # p_gᵀp_g before the fit is taken out
    shared: Array  # shape (patients, p, terms): what the fit takes out


def _factors(x: Array, names: list[str]) -> tuple[Array, Array]:
    """Orthonormal columns q of the design, and the matrix that turns qᵀy into coefficients."""
    size = np.linalg.norm(x, axis=0)
    scaled = x / np.where(size > 0, size, 1)
    if x.shape[0] <= x.shape[1] or np.linalg.matrix_rank(scaled, tol=1e-9) < x.shape[1]:
        raise study_error(
            column=", ".join(names),
            found=f"{x.shape[0]} rows in which these terms cannot be told apart",
            expected="more rows than terms, and no term that follows from the others",
            remedy="Leave out a covariate",
        )
    q, r = linalg.qr(scaled, mode="economic")
    return q, linalg.solve_triangular(r, np.eye(len(r))) / size[:, None]


def _parts(q: Array, residuals: Array, bread: Array, group: NDArray[np.intp], *, corrected: bool) -> _Parts:
    n_groups, n_terms = int(group.max()) + 1, len(bread)
    scores, own = np.empty((2, n_groups, n_terms))
    shared = np.empty((n_groups, q.shape[1], n_terms))
    sizes, in_order = np.bincount(group), np.argsort(group, kind="stable")
    first = np.cumsum(sizes) - sizes
    for size in np.unique(sizes):  # patients with equally many rows are worked on together
        who = np.flatnonzero(sizes == size)
        rows = in_order[first[who][:, None] + np.arange(size)]
        q_rows = q[rows]
        weights = q_rows @ bread.T
        if corrected:
            left_over, directions = np.linalg.eigh(np.eye(size) - q_rows @ q_rows.swapaxes(1, 2))
            root = np.where(left_over > _SETTLED, left_over, np.inf) ** -0.5
            weights = (directions * root[:, None, :]) @ (directions.swapaxes(1, 2) @ weights)
        scores[who] = (residuals[rows][:, :, None] * weights).sum(axis=1)
        own[who] = (weights**2).sum(axis=1)
        shared[who] = q_rows.swapaxes(1, 2) @ weights
    return _Parts(scores, own, shared)


def _satterthwaite(parts: _Parts, bread: Array) -> tuple[Array, Array]:
    """Degrees of freedom of each term, and the share of its working-model variance that is seen."""
    df, seen = np.empty((2, len(bread)))
    for term in range(len(bread)):
        taken_out = parts.shared[:, :, term]
        products = np.diag(parts.own[:, term]) - taken_out @ taken_out.T
        with np.errstate(invalid="ignore"):
            df[term] = np.trace(products) ** 2 / (products**2).sum()
        seen[term] = np.trace(products) / (bread[term] ** 2).sum()
    return df, seen
