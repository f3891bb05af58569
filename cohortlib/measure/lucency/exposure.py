"""Grey values along an interface as exposure, so that blur is linear and noise is that of quanta."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Log exposure between bone and metal: what is taken where the noise does not tell, and its limits.
USUAL_STEP, _LEAST_STEP, _MOST_STEP = 1.4, 0.6, 2.6


def exposure(grey: Array, x_mm: Array) -> tuple[Array, float]:
    """Exposure over that of bone, (n, m), and the log exposure between bone and metal.

    Notes
    -----
    Grey is linear in log exposure, ``g = −ln(E) / k``, with k unknown. Where n quanta arrive, the noise of
    ln E has the variance 1/n: between metal and bone the log of the ratio of the two variances of grey is
    the step in log exposure. The noise is taken from second differences along the interface, which hardly
    see the texture of bone. A detector or a filter that breaks this rule shifts k, and with it the contrast
    that is reported, by the same factor; the width hardly follows.
    """
    metal, bone = grey[:, (x_mm > -1.6) & (x_mm < -0.6)], grey[:, (x_mm > 1.0) & (x_mm < 6.0)]
    if not (np.isfinite(metal).any() and np.isfinite(bone).any()):
        return np.full_like(grey, np.nan), USUAL_STEP
    step = float(np.nanmedian(metal) - np.nanmedian(bone))
    noise = [_noise(part) for part in (metal, bone)]
    log_step = USUAL_STEP
    if min(noise) > 1e-4 * abs(step):
        log_step = float(np.clip(2 * np.log(noise[0] / noise[1]), _LEAST_STEP, _MOST_STEP))
    k = log_step / max(step, 1e-12)
    return np.exp(np.clip(-k * (grey - np.nanmedian(bone)), -8, 4)), log_step


def noise_over_step(grey: Array, x_mm: Array) -> float:
    """Noise of a pixel in bone over the step from bone to metal; 0 where there is nothing to tell it from."""
    metal, bone = grey[:, (x_mm > -1.6) & (x_mm < -0.6)], grey[:, (x_mm > 1.0) & (x_mm < 6.0)]
    if not (np.isfinite(metal).any() and np.isfinite(bone).any()):
        return 0.0
    step = abs(float(np.nanmedian(metal) - np.nanmedian(bone)))
    return 1.4826 * _noise(bone) / np.sqrt(6) / max(step, 1e-12)


def _noise(grey: Array) -> float:
    """Spread of the second differences along the interface."""
    second = grey[:-2] - 2 * grey[1:-1] + grey[2:]
    known = second[np.isfinite(second)]
    return float(np.median(np.abs(known))) if known.size else 0.0
