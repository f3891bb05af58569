"""Table 1 as it is printed: numbers rounded and put into words, nothing computed."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from cohortlib.stats.baseline import ALL, BASELINE_COLUMNS
from cohortlib.stats.inputs import check_columns

#: In place of a number that is left out because it is too small to be shared.
NOT_SHOWN = "not shown"


def baseline_text(
    table: pd.DataFrame,
    *,
    labels: Mapping[str, str],
    arm_labels: Mapping[str, str],
    decimals: Mapping[str, int],
) -> pd.DataFrame:
    """The baseline table in words, patients above and hips below.

    Parameters
    ----------
    table
        From `baseline_table`.
    labels
        Characteristic to the words it is printed with, unit included; one without stands as it is.
    arm_labels
        Arm to its label, in the order of the columns.
    decimals
        Of means, medians and their spread, by characteristic; 1 where it is not named.

    Returns
    -------
    DataFrame
        Text. Index: level, characteristic (of a category with its name; of a number once with "mean (SD)",
        once with "median [quartiles]"; "missing" where there are any). Columns: the arms, "All", and a
        standardised difference for each arm but the comparator.
    """
    check_columns(table, BASELINE_COLUMNS)
    columns = {**arm_labels, ALL: "All"}
    compared = [
        arm for arm in arm_labels if table.loc[table["arm"] == arm, "standardised_difference"].notna().any()
    ]
    rows: dict[tuple[str, str], dict[str, str]] = {}
    for (level, name, category), part in table.groupby(["level", "characteristic", "category"], sort=False):
        by_arm = part.set_index("arm")
        label = labels.get(str(name), str(name))
        lines = _lines(by_arm, category=str(category), places=decimals.get(str(name), 1), is_n=name == "n")
        for number, (words, cells) in enumerate(lines):
            line = {columns[arm]: text for arm, text in cells.items() if arm in columns}
            differences = {
                f"standardised difference, {arm_labels[arm]}": _signed(
                    by_arm["standardised_difference"].get(arm)
                )
                for arm in compared
            }
            rows[str(level), label + words] = line | (differences if number == 0 else {})
    index = pd.MultiIndex.from_tuples(list(rows), names=["level", "characteristic"])
    result = pd.DataFrame(list(rows.values()), index=index).fillna("")
    order = [*columns.values(), *(f"standardised difference, {arm_labels[arm]}" for arm in compared)]
    return result[[column for column in order if column in result]]


def _lines(
    by_arm: pd.DataFrame, *, category: str, places: int, is_n: bool
) -> list[tuple[str, dict[str, str]]]:
    """The printed lines of one row in every arm: the words behind its label, and the cells."""
    rows = {str(arm): row for arm, row in by_arm.to_dict("index").items()}
    if is_n:
        return [("", {arm: _count(row["count"]) for arm, row in rows.items()})]
    if category:
        return [(f": {category}", {arm: _share(row) for arm, row in rows.items()})]
    lines = []
    if by_arm["mean"].notna().any():
        pairs = {arm: (_number(row["mean"], places), _number(row["sd"], places)) for arm, row in rows.items()}
        lines.append((", mean (SD)", {arm: _joined(mean, f" ({sd})") for arm, (mean, sd) in pairs.items()}))
        cells = {}
        for arm, row in rows.items():
            low, high = (_number(row[name], places) for name in ("lower_quartile", "upper_quartile"))
            cells[arm] = _joined(_number(row["median"], places), f" [{low} to {high}]")
        lines.append((", median [quartiles]", cells))
    else:
        lines.append(("", dict.fromkeys(rows, "")))
    if (by_arm["n_missing"].isna() | (by_arm["n_missing"] > 0)).any():
        lines.append((", missing", {arm: _count(row["n_missing"]) for arm, row in rows.items()}))
    return lines


def _count(value: object) -> str:
    return NOT_SHOWN if pd.isna(value) else f"{int(value)}"  # type: ignore[call-overload]


def _share(row: Mapping[Hashable, Any]) -> str:
    return NOT_SHOWN if pd.isna(row["count"]) else f"{int(row['count'])} ({row['percent']:.0f} %)"


def _number(value: float, places: int) -> str:
    return "" if pd.isna(value) else f"{value:.{places}f}"


def _joined(middle: str, spread: str) -> str:
    return middle + spread if middle else NOT_SHOWN


def _signed(value: object) -> str:
    return "" if value is None or pd.isna(value) else f"{value:.2f}"  # type: ignore[call-overload]
