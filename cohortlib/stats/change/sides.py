"""The operated hip against the other one of the same patient: what the operation did, and what time did."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_choice, check_columns, check_names, check_unique

_KEYS = ("hip_id", "patient_id", "visit_id")


def operated_less_other(changes: pd.DataFrame, *, value: str, by: Sequence[str]) -> pd.DataFrame:
    """Change of the operated hip less that of the other hip, at the same visits.

    Parameters
    ----------
    changes
        From `change_from_baseline` by measured_side ("operated", "other") and what `by` names.
    value
        "change", or "percent".
    by
        Columns that keep what is measured apart, such as ["zone_system", "zone"].

    Returns
    -------
    DataFrame
        One row a hip, visit and group of `by` that was looked at on both sides after the baseline: hip_id,
        patient_id, visit_id, the columns of `by`, arm where there is one, operated, other, difference, status
        ("compared", or which side could not be: "operated: …", "other: …"). The mean of difference with its
        interval: `group_means(…, value="difference", …)`.

    Raises
    ------
    StudyError
        If a column is missing, a hip comes twice on one side, or there is no other side at all.

    Notes
    -----
    What happens to both hips alike (age, drugs, disuse, a scanner that drifts) drops out. What the operation
    does to the other hip, which bears more load for a while, does not. The difference of two changes has
    the scanning error of four scans.
    """
    check_choice("value", value, ("change", "percent"))
    check_names("by", by)
    check_columns(changes, [*_KEYS, *by, "measured_side", value, "status"])
    check_unique(
        changes, ["hip_id", "visit_id", "measured_side", *by], remedy="Name in by what tells its rows apart"
    )
    after = changes[~changes["status"].isin(["baseline", "before baseline"])]
    keys = [*_KEYS, *by]
    sides = {side: after[after["measured_side"] == side] for side in ("operated", "other")}
    if sides["other"].empty:
        raise study_error(
            column="measured_side",
            found="no row of the other side",
            expected="rows of 'operated' and 'other'",
            remedy="Compare with the baseline alone: without a scan of the other hip there is no control",
        )
    of_hip = [*keys, *(["arm"] if "arm" in after else [])]
    pairs = sides["operated"][[*of_hip, value, "status"]].merge(
        sides["other"][[*keys, value, "status"]], on=keys, suffixes=("_operated", "_other")
    )
    told = [
        np.where(
            pairs[f"status_{side}"] == "compared", "", f"{side}: " + pairs[f"status_{side}"].astype(object)
        )
        for side in ("operated", "other")
    ]
    status = ["; ".join(part for part in parts if part) or "compared" for parts in zip(*told, strict=True)]
    operated, other = pairs[f"{value}_operated"], pairs[f"{value}_other"]
    return pairs[of_hip].assign(operated=operated, other=other, difference=operated - other, status=status)
