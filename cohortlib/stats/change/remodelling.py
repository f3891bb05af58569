"""Remodelling in short: how low bone density fell and when, and what came back since."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.describe import group_means
from cohortlib.stats.inputs import check_choice, check_columns, check_names, counted, sentence_of

_NUMBERS = ("estimate", "ci_low", "ci_high", "n_patients", "n_hips")
REMODELLING_COLUMNS = (
    *("lowest_visit_id", *(f"lowest_{name}" for name in _NUMBERS)),
    *("last_visit_id", *(f"last_{name}" for name in _NUMBERS)),
    *(f"recovery_{name}" for name in _NUMBERS),
    "value",
    "unit",
    "method",
    "note",
)


def remodelling(
    changes: pd.DataFrame, *, value: str, by: Sequence[str], visits: Sequence[str], unit: str
) -> pd.DataFrame:
    """Early loss and later recovery of each group: the lowest mean, the last one, and what lies between.

    Parameters
    ----------
    changes
        From `change_from_baseline`.
    value
        "change", or "percent" (of each hip's own baseline; its mean is a mean of percentages).
    by
        Columns that make the groups, such as ["zone_system", "zone", "arm"].
    visits
        Visits after the baseline, in order of time.
    unit
        Of the value.

    Returns
    -------
    DataFrame
        One row a group: the columns of `by`, lowest_visit_id (visit of the lowest mean), last_visit_id (the
        last with an estimate), recovery (mean of last less lowest, only of the hips that have both, so it is
        not the last mean less the lowest), each with estimate, ci_low, ci_high, n_patients, n_hips; value,
        unit, method, note. Empty recovery where the lowest visit is the last: nothing has come back yet.

    Raises
    ------
    StudyError
        If a column is missing, no visit is named or one has no rows, or a hip comes twice at a visit.

    Notes
    -----
    The lowest of several means is chosen for being low, partly by chance: it overstates the loss, and the
    recovery after it, a little. Name the visit of the loss beforehand where it is to be tested. Early loss
    itself may have begun before the first scan.
    """
    check_choice("value", value, ("change", "percent"))
    check_names("by", by)
    check_names("visits", visits)
    check_columns(changes, ["hip_id", "patient_id", "visit_id", *by, value, "status"])
    unknown = [visit for visit in visits if visit not in set(changes["visit_id"].astype(str))]
    if unknown or not visits:
        raise study_error(
            column="visits",
            found=", ".join(unknown) or "no visit",
            expected="visits among " + ", ".join(sorted(changes["visit_id"].astype(str).unique())),
            remedy="Name the visits after the baseline in order of time",
        )
    compared = changes[(changes["status"] == "compared") & changes["visit_id"].isin(list(visits))]
    groups = compared.groupby(list(by), sort=False) if by else [((), compared)]
    rows = [
        {**dict(zip(by, labels, strict=True)), **_row(group, value=value, visits=visits, unit=unit)}
        for labels, group in groups
    ]
    return pd.DataFrame(rows, columns=[*by, *REMODELLING_COLUMNS])


def _row(group: pd.DataFrame, *, value: str, visits: Sequence[str], unit: str) -> dict[str, object]:
    options = {"cluster": "patient_id", "unit": unit}
    means = group_means(group, value=value, by=["visit_id"], **options).set_index("visit_id")
    means = means.reindex([visit for visit in visits if visit in means.index])
    known = means["estimate"].dropna()
    if known.empty:
        return {"value": value, "unit": unit, "note": "no estimate: fewer than three patients at every visit"}
    lowest, last = str(known.idxmin()), str(known.index[-1])
    row: dict[str, object] = {
        "lowest_visit_id": lowest,
        "last_visit_id": last,
        "value": value,
        "unit": unit,
        "method": "lowest of the means by visit; recovery of hips with both; CR2 by patient",
    }
    row |= {f"lowest_{name}": means.loc[lowest, name] for name in _NUMBERS}
    row |= {f"last_{name}": means.loc[last, name] for name in _NUMBERS}
    row |= {f"recovery_{name}": np.nan for name in _NUMBERS}
    if lowest == last:
        return row | {"note": "the lowest mean is the last one"}
    wide = group.pivot(index=["hip_id", "patient_id"], columns="visit_id", values=value)
    both = (wide[last] - wide[lowest]).rename("recovery").dropna().reset_index()
    lacking = int(wide[lowest].notna().sum()) - len(both)
    notes = [counted(lacking, "hip", f"seen at {lowest}, not at {last}")]
    if both["patient_id"].nunique():
        found = group_means(both, value="recovery", by=(), **options).iloc[0]
        row |= {f"recovery_{name}": found[name] for name in _NUMBERS}
        notes.append(str(found["note"]))
    else:
        notes.append("no hip seen at both")
    if len(known) > 1:
        notes.append(f"lowest of {len(known)} visits, chosen by the data")
    return row | {"note": sentence_of(*notes)}
