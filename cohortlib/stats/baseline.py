"""Table 1: who was operated on, arm by arm; patients in one part, hips in another."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.stats.inputs import check_choice, check_columns, check_names, check_unique, identifiers
from cohortlib.stats.small_cells import hidden_cells
from cohortlib.stats.standardised import categorical_difference, standardised_difference
from cohortlib.stats.summaries import (
    SUMMARY_COLUMNS,
    categories_of,
    category_summary,
    is_quantity,
    known_summary,
    quantity_summary,
)

#: In the column `arm`, for all arms together.
ALL = "all"
BASELINE_COLUMNS = (
    "level",
    "characteristic",
    "category",
    "arm",
    *SUMMARY_COLUMNS,
    "standardised_difference",
    "note",
)
_COUNTS = ("n_known", "n_missing", "count")
_MOMENTS = ["mean", "sd", "median", "lower_quartile", "upper_quartile"]


def baseline_table(
    patients: pd.DataFrame,
    hips: pd.DataFrame,
    *,
    of_patients: Sequence[str],
    of_hips: Sequence[str],
    comparator: str,
    suppress_below: int | None = None,
) -> pd.DataFrame:
    """What patients and hips were like at the start, by arm; without p values.

    Parameters
    ----------
    patients
        One row a patient: patient_id and the columns `of_patients`, such as `patient_characteristics` gives.
    hips
        One row a hip: hip_id, patient_id, arm and the columns `of_hips`.
    of_patients, of_hips
        Characteristics, in the order of the table. A column of numbers gets mean and median, any other is
        counted by category.
    comparator
        The arm the others are compared with.
    suppress_below
        Counts from 1 to this less one, those that would give them away, and numbers of so few are left
        empty; for tables that are shared. None shows everything.

    Returns
    -------
    DataFrame
        One row a level ("patient", then "hip"), characteristic, category ("" for the characteristic itself)
        and arm (in the order of `hips`, then "all"): n_known, n_missing, mean, sd, median, lower_quartile,
        upper_quartile, count, percent (of those known), standardised_difference (of the arm against the
        comparator; of categories together, never negative), note. The characteristic "n" of each level
        counts the patients and the hips.

    Raises
    ------
    StudyError
        If a column is missing, an id comes twice, a hip has no patient or arm, or the comparator is no arm.

    Notes
    -----
    A patient with hips in two arms is described in both, and once in "all". Patients without a study hip
    are in no row. A p value would test whether chance made groups alike that were made by chance, or not by
    chance at all: the standardised difference says how unlike they are.

    References
    ----------
    von Elm E et al. The STROBE statement. Lancet 2007;370:1453-7, item 14.
    Austin PC. Stat Med 2009;28:3083-107 (standardised differences).
    """
    check_names("of_patients", of_patients)
    check_names("of_hips", of_hips)
    check_columns(patients, ["patient_id", *of_patients])
    check_columns(hips, ["hip_id", "patient_id", "arm", *of_hips])
    for table, key in ((patients, "patient_id"), (hips, "hip_id")):
        identifiers(table, key)
        check_unique(table, [key], remedy="Keep each once")
    identifiers(hips, "patient_id")
    arms = list(dict.fromkeys(identifiers(hips, "arm").tolist()))
    check_choice("comparator", comparator, arms)
    in_arm = {
        arm: patients[patients["patient_id"].isin(hips.loc[hips["arm"] == arm, "patient_id"])] for arm in arms
    }
    in_arm[ALL] = patients[patients["patient_id"].isin(hips["patient_id"])]
    of_arm = {**{arm: hips[hips["arm"] == arm] for arm in arms}, ALL: hips}
    rows: list[dict[str, Any]] = []
    for level, groups, names in (("patient", in_arm, of_patients), ("hip", of_arm, of_hips)):
        rows += [
            {"level": level, "characteristic": "n", "category": "", "arm": arm, "count": len(group)}
            for arm, group in groups.items()
        ]
        for name in names:
            rows += [{"level": level, **row} for row in _rows_of(groups, name, comparator)]
    table = pd.DataFrame(rows).reindex(columns=list(BASELINE_COLUMNS)).assign(note="")
    if suppress_below is not None:
        table = _without_small(table, suppress_below)
    return table


def _rows_of(groups: dict[str, pd.DataFrame], name: str, comparator: str) -> list[dict[str, Any]]:
    """One characteristic in every arm."""
    columns = {arm: group[name] for arm, group in groups.items()}
    whole = {"characteristic": name, "category": ""}
    if is_quantity(columns[ALL]):
        return [
            {
                **whole,
                "arm": arm,
                **quantity_summary(column),
                "standardised_difference": _apart(arm, comparator, _difference(column, columns[comparator])),
            }
            for arm, column in columns.items()
        ]
    categories = categories_of(columns[ALL])
    counts = {arm: [int((column == one).sum()) for one in categories] for arm, column in columns.items()}
    rows = [
        {
            **whole,
            "arm": arm,
            **known_summary(column),
            "standardised_difference": _apart(
                arm, comparator, categorical_difference(counts[arm], counts[comparator])
            ),
        }
        for arm, column in columns.items()
    ]
    return rows + [
        {"characteristic": name, "category": str(one), "arm": arm, **category_summary(column, one)}
        for one in categories
        for arm, column in columns.items()
    ]


def _apart(arm: str, comparator: str, difference: float) -> float:
    return np.nan if arm in (comparator, ALL) else difference


def _difference(column: pd.Series, other: pd.Series) -> float:
    one, two = (part.dropna().to_numpy(dtype=float) for part in (column, other))
    return standardised_difference(one, two)


def _without_small(table: pd.DataFrame, least: int) -> pd.DataFrame:
    """Small counts empty, with those of the same characteristic that give them away, and means of few."""
    result = table.astype(dict.fromkeys(_COUNTS, "Int64"))
    for _, rows in table.groupby(["level", "characteristic"], sort=False):
        places = {column: rows.index[rows[column].notna()].to_list() for column in _COUNTS}
        cells = [(place, column) for column in _COUNTS for place in places[column]]
        counts = [table.loc[place, column] for place, column in cells]
        later = [table.loc[place, "arm"] == ALL for place, _ in cells]
        hidden = hidden_cells(counts, _sums(table, cells), least=least, later=later)
        for (place, column), hide in zip(cells, hidden, strict=True):
            if hide:
                result.loc[place, column] = pd.NA
        if hidden.any():
            # One difference of shares and one known total would tell the counts.
            result.loc[rows.index, "standardised_difference"] = np.nan
    few = table["n_known"].between(1, least - 1)
    result.loc[few, [*_MOMENTS, "standardised_difference"]] = np.nan
    result.loc[result["count"].isna(), "percent"] = np.nan
    emptied = (result.isna() & table.notna()).any(axis=1)
    said = f"counts below {least}, and what would give them away, are not shown"
    result["note"] = np.where(emptied, said, "")
    return result


def _sums(table: pd.DataFrame, cells: list[tuple[int, str]]) -> NDArray[np.float64]:
    """Each cell as a sum over arms of missing, known, or the categories that make up what is known."""
    arms = [arm for arm in table["arm"].unique() if arm != ALL]
    categories = list(dict.fromkeys(str(table.loc[place, "category"]) for place, _ in cells))
    kinds = ["missing", *([one for one in categories if one] or [""])]
    sums = np.zeros((len(cells), len(arms) * len(kinds)))
    for row, (place, column) in enumerate(cells):
        arm, category = table.loc[place, "arm"], str(table.loc[place, "category"])
        wanted = {"n_missing": ["missing"], "n_known": kinds[1:]}.get(column, [category])
        for number, one in enumerate(arms):
            if arm in (one, ALL):
                for kind in wanted:
                    sums[row, number * len(kinds) + kinds.index(kind)] = 1
    return sums
