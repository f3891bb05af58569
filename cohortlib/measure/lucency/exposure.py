"""Grey values along an interface as exposure, so that blur is linear and noise is that of quanta."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Log exposure between bone and metal: what is taken where the noise does not tell, and its limits.
USUAL_STEP, _LEAST_STEP, _MOST_STEP = 1.0, 0.4, 2.6
_GROUP_MM = 5.0


#: A rim of the metal denser than its inside by this part of the step is none of metal.
_MOST_RIM = 0.04


class Exposure(NamedTuple):
    """Exposure over that of bone (n, m); log exposure from bone to metal; a pixel's noise in bone over it."""

    received: Array
    log_step: float
    noise_over_step: float


def pixel_noise(pixels: NDArray[np.float32]) -> Array:
    """How each pixel differs from what its eight neighbours say, over the standard deviation of the noise.

    Second differences across and down, one of the other: neither slopes nor straight edges leave much.
    """
    across = np.zeros(pixels.shape)
    across[1:-1, 1:-1] = np.diff(np.diff(pixels.astype(np.float64), 2, axis=0), 2, axis=1)
    return np.abs(across) / 6.0


def exposure(grey: Array, noise: Array, x_mm: Array, step_mm: float) -> Exposure:
    """Exposure along an interface.

    Parameters
    ----------
    grey, noise : (n, m)
        Grey values, and `pixel_noise` at the same places; NaN off the film.
    x_mm : (m,)
        Distance outside the metal.
    step_mm
        Between rows.

    Notes
    -----
    Grey is linear in log exposure, ``g = −k ln E``, with k unknown. Where n quanta arrive, the noise of ln E
    has the variance 1/n: between metal and bone, 5 mm by 5 mm of the interface, the log of the ratio of the
    two variances of grey is the step in log exposure. A detector or a filter that breaks this rule shifts
    the contrast that is reported by the same factor; the width hardly follows.
    """
    metal, bone = (x_mm > -1.6) & (x_mm < -0.4), (x_mm > 1.0) & (x_mm < 6.0)
    size = max(round(_GROUP_MM / step_mm), 1)
    steps, logs, noises = [], [], []
    for first in range(0, max(len(grey) - size // 2, 1), size):
        rows = slice(first, first + size)
        parts = [_middle(values[rows][:, side]) for values in (grey, noise) for side in (metal, bone)]
        if np.isfinite(parts).all() and parts[0] > parts[1]:
            steps.append(parts[0] - parts[1])
            noises.append(1.4826 * parts[3])
            known = min(parts[2:]) > 1e-4 * steps[-1]
            logs.append(2 * np.log(parts[2] / parts[3]) if known else np.nan)
    if not steps:
        return Exposure(np.full_like(grey, np.nan), USUAL_STEP, 0.0)
    every, told = np.array(steps), np.isfinite(logs)
    step = float(np.median(every))
    log_step = USUAL_STEP
    if told.any():
        log_step = float(every[told] @ np.array(logs)[told] / (every[told] @ every[told])) * step
        log_step = float(np.clip(log_step, _LEAST_STEP, _MOST_STEP))
    level = _middle(grey[:, bone])
    received = np.exp(np.clip(-log_step / step * (grey - level), -8, 4))
    return Exposure(received, log_step, float(np.median(noises)) / step)


def _middle(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else np.nan


def sharpened(grey: Array, x_mm: Array) -> bool:
    """Whether the film's edges were sharpened: then metal has a bright rim inside, and a dark one outside.

    Notes
    -----
    Metal is as dense further in, or denser; a rim inside that is denser, in the mean along the outline, was
    made by a filter. About thin round metal, whose density climbs steeply, a weak rim is not noticed.
    """
    known = grey[np.isfinite(grey).all(axis=1)]
    if not len(known):
        return False
    profile = np.median(known, axis=0)
    step = _middle(profile[(x_mm > -1.6) & (x_mm < -0.4)]) - _middle(profile[(x_mm > 1.0) & (x_mm < 6.0)])
    rim = float(profile[(x_mm > -1.2) & (x_mm < -0.1)].max()) - _middle(profile[x_mm < -1.3])
    return bool(rim > _MOST_RIM * step)
