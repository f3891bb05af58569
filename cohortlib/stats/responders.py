"""Those who came against those who did not: whether what is missing may bend the answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.completeness import COMPLETENESS_INPUT, least_complete
from cohortlib.stats.inputs import (
    check_columns,
    check_names,
    check_unique,
    counted,
    identifiers,
    numbers,
    sentence_of,
)
from cohortlib.stats.standardised import difference_interval, standardised_difference
from cohortlib.stats.summaries import categories_of, is_quantity

RESPONDER_COLUMNS = (
    "characteristic",
    "category",
    "n_responders",
    "n_others",
    "responders",
    "others",
    "responders_sd",
    "others_sd",
    "missing_responders",
    "missing_others",
    "standardised_difference",
    "ci_low",
    "ci_high",
    "n_patients",
    "n_hips",
    "method",
    "note",
)

_COUNTS = ("n_responders", "n_others", "missing_responders", "missing_others")
_VALUES = (
    "responders",
    "others",
    "responders_sd",
    "others_sd",
    "standardised_difference",
    "ci_low",
    "ci_high",
)


def responder_comparison(
    rows: pd.DataFrame,
    baseline: pd.DataFrame,
    *,
    visit_id: str,
    examination: str,
    characteristics: Sequence[str],
    suppress_below: int | None = None,
) -> pd.DataFrame:
    """What those who came to a visit were like at the start, beside those who were due and did not.

    Parameters
    ----------
    rows
        One row a hip, visit and examination, as `cohortlib.study.completeness` gives them.
    baseline
        One row a hip where there is a column hip_id, else one row a patient; patient_id, and the
        characteristics: numbers, or categories.
    visit_id, examination
        Which.
    characteristics
        Columns of `baseline`.
    suppress_below
        A characteristic of which a count (of a group, a category in it, or missing) is from 1 to this less
        one is left empty; for tables that are shared. None shows everything.

    Returns
    -------
    DataFrame
        One row a number, and one row a category: characteristic, category, n_responders and n_others
        (patients or hips with a value), responders and others (mean, or share of the category),
        responders_sd, others_sd (of numbers), missing_responders, missing_others,
        standardised_difference (responders less others) with ci_low, ci_high (95 %), n_patients, n_hips
        (compared; hips empty for patients), method, note. No interval where a group has fewer than three
        patients or is all alike.

    Raises
    ------
    StudyError
        If a column is missing, an id comes twice, there is no such visit or examination, or somebody due is
        not in `baseline`.

    Notes
    -----
    Responders are due and received, others overdue; excused, not yet due and still open ones are in neither
    and are counted in the note. Hips of one patient are not independent: the interval takes patients as
    clusters (`difference_interval`). Likeness in what was measured does not show likeness in the outcome.

    References
    ----------
    Austin PC. Stat Med 2009;28:3083-107 (standardised differences).
    """
    check_names("characteristics", characteristics)
    check_columns(rows, COMPLETENESS_INPUT)
    by_hip = "hip_id" in baseline
    key = "hip_id" if by_hip else "patient_id"
    check_columns(baseline, ["patient_id", *characteristics])
    identifiers(baseline, key)
    check_unique(baseline, [key], remedy=f"Give one row a {key.removesuffix('_id')}")
    due, left_out = _due(rows, visit_id, examination, by_hip=by_hip)
    unknown = due.loc[~due[key].isin(baseline[key]), key]
    if len(unknown):
        raise study_error(
            column=f"baseline, {key}",
            found=str(unknown.iloc[0]),
            count=len(unknown),
            expected="everybody who was due",
            remedy="Give the baseline of all patients or hips of the study",
        )
    table = due[[key, "came"]].merge(baseline, on=key)
    lines = [line for name in characteristics for line in _lines(table, name)]
    method = "(mean − mean)/√(mean of both variances); CR2 by patient, Satterthwaite df"
    note = counted(left_out, "hip" if by_hip else "patient", "not yet due, still open or excused")
    result = pd.DataFrame(lines).assign(
        n_patients=table["patient_id"].nunique(),
        n_hips=pd.array([len(table) if by_hip else pd.NA] * len(lines), dtype="Int64"),
        method=method,
    )
    result["note"] = [sentence_of(note, own) for own in result.get("own_note", [])]
    result = result.reindex(columns=list(RESPONDER_COLUMNS))
    return result if suppress_below is None else _without_small(result, suppress_below)


def _without_small(table: pd.DataFrame, least: int) -> pd.DataFrame:
    """Every number of a characteristic with a small count empty: two shares and a difference tell it."""
    small = pd.Series(False, table.index)
    for group in ("responders", "others"):
        count = table[f"n_{group}"]
        in_category = (table[group] * count).where(table["category"] != "")
        for cells in (count, table[f"missing_{group}"], in_category, count - in_category):
            small |= cells.round().between(1, least - 1)
    hidden = small.groupby(table["characteristic"], sort=False).transform("any")
    result = table.astype(dict.fromkeys(_COUNTS, "Int64"))
    result.loc[hidden, list(_COUNTS)] = pd.NA
    result.loc[hidden, list(_VALUES)] = np.nan
    said = f"counts below {least}, and what would give them away, are not shown"
    result["note"] = [
        sentence_of(str(note), said if hide else "") for note, hide in zip(table["note"], hidden, strict=True)
    ]
    return result


def _due(rows: pd.DataFrame, visit_id: str, examination: str, *, by_hip: bool) -> tuple[pd.DataFrame, int]:
    """Who was due, with `came`; and how many are neither."""
    chosen = rows[(rows["visit_id"] == visit_id) & (rows["examination"] == examination)]
    chosen = chosen[chosen["hip_id"].notna()]
    if chosen.empty:
        raise study_error(
            column="visit_id, examination",
            found=f"{visit_id}, {examination}",
            expected="a visit and an examination of the table",
            remedy="Correct the name",
        )
    if not by_hip:
        chosen = least_complete(chosen, ["visit_id", "examination"])
    came = chosen["status"].str.startswith("received") & chosen["due"]
    either = came | (chosen["status"] == "overdue")
    return chosen.assign(came=came)[either], int((~either).sum())


def _lines(table: pd.DataFrame, name: str) -> list[dict[str, Any]]:
    column = table[name]
    if is_quantity(column):
        return [_line(table, name, "", pd.Series(numbers(table, name), table.index))]
    return [
        _line(table, name, str(one), (column == one).astype(float).mask(column.isna()))
        for one in categories_of(column)
    ]


def _line(table: pd.DataFrame, name: str, category: str, values: pd.Series) -> dict[str, Any]:
    values = values.astype(float)
    known, came = values.notna(), table["came"]
    one, other = values[known & came].to_numpy(), values[known & ~came].to_numpy()
    low, high = difference_interval(values[known], came[known], table.loc[known, "patient_id"])
    few = (
        "no interval from fewer than three patients, or from a group that is all alike"
        if np.isnan(low)
        else ""
    )
    deviations = [
        float(part.std(ddof=1)) if part.size > 1 and not category else np.nan for part in (one, other)
    ]
    return {
        "characteristic": name,
        "category": category,
        "n_responders": one.size,
        "n_others": other.size,
        "responders": one.mean() if one.size else np.nan,
        "others": other.mean() if other.size else np.nan,
        "responders_sd": deviations[0],
        "others_sd": deviations[1],
        "missing_responders": int((~known & came).sum()),
        "missing_others": int((~known & ~came).sum()),
        "standardised_difference": standardised_difference(one, other) if one.size and other.size else np.nan,
        "ci_low": low,
        "ci_high": high,
        "own_note": few,
    }
