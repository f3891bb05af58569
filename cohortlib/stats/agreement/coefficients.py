"""Coefficients of agreement between categories, as functions of sums over subjects.

Every coefficient here is a smooth function of a few sums, so one vector of parts a subject serves the
estimate, its standard error and the drawing of patients.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: What stands before the coefficients of single categories, in the order of `coefficients`.
WHOLE = ("kappa", "Gwet AC", "PABAK", "observed agreement", "expected agreement")
_STEP = 1e-30


class NullErrors(NamedTuple):
    """Standard errors if the raters agreed by chance only: of kappa, and of each category's kappa."""

    whole: float
    single: Array


def parts_of_agreement(places: NDArray[np.intp], weights: Array) -> Array:
    """One row a subject: 1, its weighted agreement, and for each category its both, first and second.

    Parameters
    ----------
    places : (subjects, raters)
        Number of the category, complete.
    weights : (categories, categories)

    Notes
    -----
    both_k is the share of the subject's pairs of raters that both say k. With two raters first and second
    are theirs; with more both are the share of the raters who say k, which turns Cohen's chance agreement
    into Fleiss'.
    """
    n_raters, n_categories = places.shape[1], len(weights)
    said = np.eye(n_categories)[places]
    counts = said.sum(axis=1)
    pairs = n_raters * (n_raters - 1)
    agreement = (counts * (counts @ weights.T)).sum(axis=1) - n_raters
    both = counts * (counts - 1) / pairs
    first, second = (said[:, 0], said[:, 1]) if n_raters == 2 else (counts / n_raters, counts / n_raters)
    return np.column_stack([np.ones(len(places)), agreement / pairs, both, first, second])


def coefficients(totals: NDArray[np.number], weights: Array) -> NDArray[np.number]:
    """The coefficients of `WHOLE`, then each category's kappa, then each category's prevalence.

    Parameters
    ----------
    totals : (draws, parts)
        Sums of `parts_of_agreement`; complex numbers pass through.

    Returns
    -------
    array of shape (draws, 5 + 2 categories)
    """
    k = len(weights)
    shares = totals / totals[:, :1]
    observed = shares[:, 1]
    both, first, second = shares[:, 2 : 2 + k], shares[:, 2 + k : 2 + 2 * k], shares[:, 2 + 2 * k :]
    prevalence = (first + second) / 2
    expected = ((first @ weights) * second).sum(axis=1)
    uniform = weights.sum() / k**2
    by_gwet = uniform * k / (k - 1) * (prevalence * (1 - prevalence)).sum(axis=1)
    apart = first * (1 - second) + second * (1 - first)
    with np.errstate(divide="ignore", invalid="ignore"):
        whole = [
            (observed - expected) / _or_nan(1 - expected),
            (observed - by_gwet) / _or_nan(1 - by_gwet),
            (observed - uniform) / (1 - uniform),
            observed,
            expected,
        ]
        single = 1 - (first + second - 2 * both) / _or_nan(apart)
    return np.column_stack([*whole, single, prevalence])


def _or_nan(divisor: NDArray[np.number]) -> NDArray[np.number]:
    """NaN in place of a divisor that is zero but for rounding: nothing is left to be explained by chance."""
    return np.where(np.abs(divisor) > 1e-12, divisor, np.nan)


def influence(parts: Array, weights: Array) -> Array:
    """One row a subject: how far it moves each coefficient from its value, times the number of subjects.

    Notes
    -----
    The gradient is exact: the imaginary part of the coefficient at a point shifted by an imaginary step
    (Squire W, Trapp G. SIAM Rev 1998;40:110-2).
    """
    mean = parts.mean(axis=0)
    shifted = mean + 1j * _STEP * np.eye(len(mean))
    gradient = coefficients(shifted, weights).imag / _STEP
    return np.asarray((parts - mean) @ gradient)


def unbounded(values: Array, n_categories: int) -> Array:
    """Coefficients on a scale without ends (Fisher's z), where their draws spread evenly.

    Parameters
    ----------
    values : (draws, 5 + 2 categories)
        From `coefficients`.
    """
    shares = are_shares(n_categories)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.arctanh(np.where(shares, 2 * values - 1, values)))


def bounded(values: Array, n_categories: int) -> Array:
    """The inverse of `unbounded`."""
    turned = np.tanh(values)
    return np.asarray(np.where(are_shares(n_categories), (turned + 1) / 2, turned))


def are_shares(n_categories: int) -> NDArray[np.bool_]:
    """Which of the `coefficients` reach from 0 to 1; the others reach from −1 to 1."""
    return np.array([False] * 3 + [True] * 2 + [False] * n_categories + [True] * n_categories)


def null_errors(parts: Array, weights: Array, n_raters: int) -> NullErrors:
    """Standard errors of kappa if the raters agreed by chance only; for a test, not for an interval.

    References
    ----------
    Fleiss JL, Cohen J, Everitt BS. Large sample standard errors of kappa and weighted kappa. Psychol Bull
    1969;72:323-7 (two raters).
    Fleiss JL, Nee JCM, Landis JR. Large sample variance of kappa in the case of different sets of raters.
    Psychol Bull 1979;86:974-7 (more raters; none is published for weights).
    """
    n, k = len(parts), len(weights)
    shares = parts.mean(axis=0)
    first, second = shares[2 + k : 2 + 2 * k], shares[2 + 2 * k :]
    chance = np.outer(first, second)
    with np.errstate(divide="ignore", invalid="ignore"):
        if n_raters == 2:
            expected = (weights * chance).sum()
            seen = weights - (weights @ second)[:, None] - (weights.T @ first)[None, :]
            spread = (chance * seen**2).sum() - expected**2
            whole = np.sqrt(max(spread, 0.0) / n) / (1 - expected)
            return NullErrors(float(whole), np.full(k, np.nan))
        readings = n * n_raters * (n_raters - 1)
        apart = first * (1 - first)
        spread = apart.sum() ** 2 - (apart * (1 - 2 * first)).sum()
        whole = np.sqrt(2 * max(spread, 0.0) / readings) / apart.sum()
        equal = bool((weights == np.eye(k)).all())
        return NullErrors(float(whole) if equal else np.nan, np.full(k, np.sqrt(2 / readings)))
