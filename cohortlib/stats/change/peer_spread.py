"""How far one hip's change may lie from that of its peers: spread between hips, and error of measuring."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import digamma, polygamma

#: Median of |x| of a normal distribution of SD 1, and the information in it against that of an SD.
_MEDIAN_OF_NORMAL, _EFFICIENCY = 0.6745, 0.37
#: A variance of the median against that of a mean.
MEDIAN_VARIANCE = np.pi / 2


def between_hip_variance(excess: NDArray[np.float64], error_variance: NDArray[np.float64]) -> float:
    """Variance between hips beyond the error of measuring, so that half of the hips lie within 0.67 SD.

    Parameters
    ----------
    excess
        What hips changed more than their peers, of all zones and visits that are pooled.
    error_variance
        Of each excess, by the precision error alone.

    Returns
    -------
    float
        0 where the hips lie no further apart than the error says. Half of the hips, not all, decide: a few
        that go another way do not widen it.
    """

    def too_far(variance: float) -> float:
        within = np.median(np.abs(excess) / np.sqrt(variance + error_variance))
        return float(within) - _MEDIAN_OF_NORMAL

    if too_far(0.0) <= 0:
        return 0.0
    return float(brentq(too_far, 0.0, float(np.max(excess**2)) / _MEDIAN_OF_NORMAL**2 + 1e-12))


def zone_factors(
    standardised: list[NDArray[np.float64]], hips: list[int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """By how much the variance of each zone is another than that of all zones pooled, drawn towards 1.

    Parameters
    ----------
    standardised
        For each zone, excess over the pooled SD.
    hips
        For each zone, how many hips these are of; visits of one hip are not counted as several.

    Returns
    -------
    tuple
        factor on the variance, and degrees of freedom, of each zone.

    Notes
    -----
    A zone has few hips, so its own variance is drawn towards that of all zones: the more, the less the zones
    differ (moderated variance, with prior degrees of freedom d₀ from the spread of the log variances):
    (d₀ + d · own) / (d₀ + d), d = 0.37 (hips − 1), for a median of |x| carries 37 % of the information of an
    SD. Never more degrees of freedom than all zones have together.

    References
    ----------
    Smyth GK. Linear models and empirical Bayes methods for assessing differential expression in microarray
    experiments. Stat Appl Genet Mol Biol 2004;3:3.
    Rousseeuw PJ, Croux C. Alternatives to the median absolute deviation. J Am Stat Assoc 1993;88:1273-83.
    """
    own = np.array([(np.median(np.abs(each)) / _MEDIAN_OF_NORMAL) ** 2 for each in standardised])
    df = np.maximum(_EFFICIENCY * (np.array(hips, dtype=float) - 1), 1.0)
    prior = _prior_df(np.maximum(own, 1e-9), df) if len(own) > 2 else np.inf
    factor = np.ones_like(own) if np.isinf(prior) else (prior + df * own) / (prior + df)
    return factor, np.minimum(prior + df, df.sum())


def _prior_df(own: NDArray[np.float64], df: NDArray[np.float64]) -> float:
    """Prior degrees of freedom: infinite where the zones differ no more than chance has it."""
    logs = np.log(own) - digamma(df / 2) + np.log(df / 2)
    beyond = float(np.var(logs, ddof=1) - np.mean(polygamma(1, df / 2)))
    if beyond <= polygamma(1, 5e3):
        return float(np.inf)
    return 2 * float(brentq(lambda half: float(polygamma(1, half)) - beyond, 1e-4, 1e4))
