"""Small least-squares problems solved thousands of times: a damped Gauss-Newton descent.

SciPy's bounded solver takes several times as long on these six parameters (see tests/benchmarks).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def descent(
    residuals: Callable[[Array], Array],
    start: Array,
    *,
    low: Array,
    high: Array,
    forgiveness: float,
    steps: Array,
    most_steps: int = 12,
) -> tuple[Array, Array]:
    """Parameters that make residuals small, forgiving those much larger than `forgiveness`.

    Parameters
    ----------
    residuals
        Parameters (p,) to residuals (n,).
    start, low, high : (p,)
        Where to begin, and between what the parameters stay.
    forgiveness
        Residual from which an observation loses weight (Cauchy weights).
    steps : (p,)
        Differences for the numerical derivatives; also the scale of convergence: it ends when no
        parameter moves by more than half a step.
    most_steps
        Iterations at most.

    Returns
    -------
    parameters, jacobian
        Those found (p,), and the weighted derivatives there (n, p).
    """
    at = np.clip(start, low, high)
    values = residuals(at)
    damping = 1e-3
    for _ in range(most_steps):
        weights, slopes = _linearised(residuals, at, values, forgiveness, steps)
        normal = slopes.T @ (weights[:, None] * slopes)
        gradient = slopes.T @ (weights * values)
        for _ in range(6):
            damped = normal + damping * np.diag(np.maximum(np.diag(normal), 1e-12))
            candidate = np.clip(at - np.linalg.solve(damped, gradient), low, high)
            trial = residuals(candidate)
            if _cost(trial, forgiveness) <= _cost(values, forgiveness):
                break
            damping *= 10.0
        else:
            break
        moved = np.abs(candidate - at)
        at, values, damping = candidate, trial, max(damping / 10.0, 1e-6)
        if (moved <= 0.5 * steps).all():
            break
    weights, slopes = _linearised(residuals, at, values, forgiveness, steps)
    return at, np.sqrt(weights)[:, None] * slopes


def _linearised(
    residuals: Callable[[Array], Array], at: Array, values: Array, forgiveness: float, steps: Array
) -> tuple[Array, Array]:
    slopes = np.empty((len(values), len(at)))
    for column, step in enumerate(steps):
        moved = at.copy()
        moved[column] += step
        slopes[:, column] = (residuals(moved) - values) / step
    return 1.0 / (1.0 + (values / forgiveness) ** 2), slopes


def _cost(values: Array, forgiveness: float) -> float:
    return float(np.log1p((values / forgiveness) ** 2).sum())
