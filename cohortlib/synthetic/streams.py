"""Random numbers by purpose: one seed, and a stream of its own for everything that is drawn."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from cohortlib.errors import study_error


def random_stream(seed: int, *purpose: str) -> np.random.Generator:
    """The random numbers of one purpose, such as `random_stream(seed, "marks", "I0001", "R1")`.

    Drawing more for one purpose, or adding a purpose, leaves every other stream as it was.

    Parameters
    ----------
    seed
        The study's seed, 0 or more.
    purpose
        Words that name what is drawn; the same words give the same numbers.

    Raises
    ------
    StudyError
        If the seed is negative or no integer.
    """
    if not isinstance(seed, int) or seed < 0:
        raise study_error(
            column="seed", found=seed, expected="a whole number, 0 or more", remedy="Give such a seed"
        )
    key = tuple("/".join(purpose).encode())
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))


def truncated_normal(
    stream: np.random.Generator, mean: ArrayLike, sd: ArrayLike, *, size: int, reach: float = 2.2
) -> NDArray[np.float64]:
    """Normal values without the far tails, so that an extreme is there only where it was put on purpose.

    Parameters
    ----------
    stream
        Where the numbers come from.
    mean, sd : scalar or (size,)
        Of the normal before its tails are cut, in the unit of the result.
    size
        How many.
    reach
        Nothing lies further than this many `sd` from `mean`.
    """
    quantile = stream.uniform(ndtr(-reach), ndtr(reach), size)
    return np.asarray(np.asarray(mean) + np.asarray(sd) * ndtri(quantile), dtype=float)
