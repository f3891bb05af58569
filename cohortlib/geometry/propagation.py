"""How far errors of places carry into a number that is worked out from them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
_STEP = 1e-4


def propagated_sd(
    number: Callable[..., float], places: Mapping[str, ArrayLike], covariances: Mapping[str, ArrayLike]
) -> float:
    """Standard deviation of a number that is a function of uncertain places, to first order.

    Parameters
    ----------
    number
        Takes the places by keyword.
    places
        Argument → value of any shape.
    covariances
        Argument → covariance of its values, flattened (k, k); an argument that is not named is exact.

    Notes
    -----
    ``sd² = Σ gᵀ C g`` over the arguments, g by central differences of 1e-4 of the unit of the places.
    Errors of different arguments are taken as independent.
    """
    exact: dict[str, Any] = {name: np.asarray(value, dtype=float) for name, value in places.items()}
    variance = 0.0
    for name, covariance in covariances.items():
        value = exact[name]
        slopes = np.empty(value.size)
        for k in range(value.size):
            step = np.zeros(value.size)
            step[k] = _STEP
            moved = [{**exact, name: value + sign * step.reshape(value.shape)} for sign in (1.0, -1.0)]
            slopes[k] = (number(**moved[0]) - number(**moved[1])) / (2.0 * _STEP)
        variance += float(slopes @ np.asarray(covariance, dtype=float) @ slopes)
    return float(np.sqrt(variance))


def independent_covariance(places: ArrayLike, sd: float) -> Array:
    """Covariance of places (n, 2) or (2,) whose coordinates each err by `sd`, independently."""
    return np.eye(np.asarray(places).size) * sd**2
