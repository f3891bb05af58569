"""Mean changes of groups of hips on a named scale: absolute, mean of percentages, percentage of means."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.describe import group_means
from cohortlib.stats.inputs import check_choice, check_columns, check_names, numbers, sentence_of

Scale = Literal["absolute", "mean of percentages", "percentage of means"]
SCALES: tuple[Scale, ...] = ("absolute", "mean of percentages", "percentage of means")


def change_means(changes: pd.DataFrame, *, by: Sequence[str], scale: Scale, unit: str) -> pd.DataFrame:
    """Mean change of each group of hips, and on which of three scales it is a mean.

    Parameters
    ----------
    changes
        From `change_from_baseline`.
    by
        Columns that make the groups, such as ["zone_system", "zone", "visit_id", "arm"].
    scale
        "absolute"; "mean of percentages" (each hip's change over its own baseline, every hip counts alike);
        "percentage of means" (the mean change over the mean baseline, dense hips count for more).
    unit
        Of the values; those of both percentages are in "%".

    Returns
    -------
    DataFrame
        As `group_means`, with scale after the columns of `by`; n_missing counts the hips examined that could
        not be compared. Examinations that are the baseline, or before it, are not among the rows.

    Raises
    ------
    StudyError
        If a column is missing, the scale is none of the three, a hip comes twice in a group, or a compared
        hip has a baseline that is not above zero and a percentage is asked for.

    Notes
    -----
    Both percentages of the pairs 1.0 → 0.8 and 1.1 → 1.2: −5.45 % as mean of percentages, −4.76 % as
    percentage of means. The interval of the second is that of a ratio R of means, linearised: the mean of
    (change − R · baseline) / mean baseline, CR2 by patient.
    """
    check_choice("scale", scale, SCALES)
    check_names("by", by)
    check_columns(changes, ["hip_id", "patient_id", *by, "change", "percent", "baseline_value", "status"])
    asked = changes[~changes["status"].isin(["baseline", "before baseline"])]
    if scale == "absolute":
        return _named(group_means(asked, value="change", by=by, cluster="patient_id", unit=unit), by, scale)
    compared = asked["status"] == "compared"
    without = compared & asked["percent"].isna()
    if without.any():
        raise study_error(
            column="baseline_value",
            found=asked.loc[without, "baseline_value"].iloc[0],
            count=int(without.sum()),
            expected="a baseline above zero, of which a percentage can be taken",
            remedy='Look at these examinations, or ask for scale="absolute"',
        )
    if scale == "percentage of means":
        asked = asked.assign(percent=_linearised(asked, by))
    return _named(group_means(asked, value="percent", by=by, cluster="patient_id", unit="%"), by, scale)


def _linearised(changes: pd.DataFrame, by: Sequence[str]) -> pd.Series:
    """A value a hip whose mean in each group is the percentage of means, and whose spread is that of it."""
    change = pd.Series(numbers(changes, "change"), changes.index)
    baseline = pd.Series(numbers(changes, "baseline_value"), changes.index).where(change.notna())
    groups = changes[list(by)].groupby(list(by), dropna=False).ngroup() if by else pd.Series(0, changes.index)
    mean_change = change.groupby(groups).transform("mean")
    mean_baseline = baseline.groupby(groups).transform("mean")
    ratio = mean_change / mean_baseline
    return 100 * (ratio + (change - ratio * baseline) / mean_baseline)


def _named(means: pd.DataFrame, by: Sequence[str], scale: Scale) -> pd.DataFrame:
    means = means.copy()
    means.insert(len(by), "scale", scale)
    if scale == "percentage of means":
        # The spread of the linearised values is no spread of anything that a reader knows.
        means["sd"] = np.nan
        means["method"] = [sentence_of("ratio of means, linearised", method) for method in means["method"]]
    return means
