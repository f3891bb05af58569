"""How much a disagreement between two categories weighs."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_choice

Array = NDArray[np.float64]
Weights = Literal["linear", "quadratic"] | ArrayLike | None


def agreement_weights(weights: Weights, n_categories: int) -> tuple[Array, str]:
    """How far two categories agree, from 0 (as far apart as can be) to 1 (the same), and the name of it.

    Parameters
    ----------
    weights
        None: the same or not. "linear", "quadratic": by steps, or squared steps, along the declared order.
        Or a matrix of disagreements, shape (categories, categories): zero on its diagonal, symmetric.
    n_categories
        At least two.

    Returns
    -------
    matrix : (categories, categories)
        1 − disagreement / largest disagreement.
    name : str

    Raises
    ------
    StudyError
        If the matrix is not as said above.

    References
    ----------
    Cohen J. Weighted kappa: nominal scale agreement with provision for scaled disagreement or partial
    credit. Psychol Bull 1968;70:213-20.
    """
    if weights is None:
        return np.eye(n_categories), ""
    if isinstance(weights, str):
        check_choice("weights", weights, (None, "linear", "quadratic"))
        steps = np.abs(np.subtract.outer(np.arange(n_categories), np.arange(n_categories)))
        disagreement = steps.astype(float) ** (1 if weights == "linear" else 2)
        return 1 - disagreement / disagreement.max(), weights
    return _from_matrix(weights, n_categories), "own disagreements"


def _from_matrix(weights: ArrayLike, n_categories: int) -> Array:
    try:
        disagreement = np.asarray(weights, dtype=float)
    except (TypeError, ValueError):
        disagreement = np.empty(0)
    wanted = (n_categories, n_categories)
    if disagreement.shape != wanted:
        found = f"a matrix of shape {disagreement.shape}" if disagreement.size else "no matrix of numbers"
    elif not (np.isfinite(disagreement).all() and (disagreement >= 0).all() and disagreement.any()):
        found = "a disagreement that is below zero, no number, or zero everywhere"
    elif disagreement.diagonal().any():
        found = "a disagreement of a category with itself"
    elif (disagreement != disagreement.T).any():
        found = "a disagreement that depends on who is named first"
    else:
        return np.asarray(1 - disagreement / disagreement.max())
    raise study_error(
        column="weights",
        found=found,
        expected=f"'linear', 'quadratic', or disagreements of {n_categories} by {n_categories} categories: "
        "zero on the diagonal, symmetric, none below zero",
        remedy="Correct the matrix; its rows and columns follow the order of the categories",
    )
