"""The least significant change: what a measurement must change by before it is more than measuring again."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_columns, numbers


def least_significant_change(
    precision_error: pd.DataFrame, *, confidence: float = 0.95, scans: tuple[int, int] = (1, 1)
) -> pd.DataFrame:
    """Least significant change of each precision error.

    Parameters
    ----------
    precision_error
        From `precision_error`, `pooled_precision` or `published_precision`.
    confidence
        Two-sided: 0.95 lets one unchanged value in twenty pass for a change.
    scans
        How many examinations are averaged at the first and at the second visit.

    Returns
    -------
    DataFrame
        The rows of `precision_error` with lsc, lsc_low, lsc_high (from the interval of the precision error),
        confidence, scans_before, scans_after. Empty where the precision error is.

    Raises
    ------
    StudyError
        If the confidence is not between 0 and 1, or a number of scans is not a whole number from 1.

    Notes
    -----
    lsc = z · rms_sd · √(1/k₁ + 1/k₂): 2.77 · rms_sd for one scan against one at 95 %, by the convention that
    takes the precision error for known. A change that equals it is a change. It holds for one zone that was
    named beforehand; who looks at seven zones uses `significant_changes`.

    References
    ----------
    Glüer CC. Monitoring skeletal changes by radiological techniques. J Bone Miner Res 1999;14:1952-62 (from
    memory). International Society for Clinical Densitometry, official positions, adult.

    Example
    -------
    >>> precision = pd.DataFrame({"zone": ["1"], "rms_sd": [0.015], "ci_low": [0.012], "ci_high": [0.02]})
    >>> least_significant_change(precision)["lsc"].round(4).tolist()
    [0.0416]
    """
    if not 0 < confidence < 1:
        raise study_error(
            column="confidence",
            found=confidence,
            expected="a number between 0 and 1",
            remedy="Write 0.95 for 95 %",
        )
    if len(scans) != 2 or any(isinstance(count, bool) or count != int(count) or count < 1 for count in scans):
        raise study_error(
            column="scans",
            found=scans,
            expected="how many scans are averaged before and after, such as (1, 1) or (2, 2)",
            remedy="Count the scans of each visit",
        )
    check_columns(precision_error, ["rms_sd", "ci_low", "ci_high"])
    factor = stats.norm.ppf((1 + confidence) / 2) * np.sqrt(1 / scans[0] + 1 / scans[1])
    return precision_error.assign(
        lsc=factor * numbers(precision_error, "rms_sd"),
        lsc_low=factor * numbers(precision_error, "ci_low"),
        lsc_high=factor * numbers(precision_error, "ci_high"),
        confidence=confidence,
        scans_before=int(scans[0]),
        scans_after=int(scans[1]),
    )
