"""One characteristic of one group in numbers: of a quantity, or of a category."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.inputs import numbers

SUMMARY_COLUMNS = (
    "n_known",
    "n_missing",
    "mean",
    "sd",
    "median",
    "lower_quartile",
    "upper_quartile",
    "count",
    "percent",
)
_NOTHING: dict[str, Any] = dict.fromkeys(SUMMARY_COLUMNS, np.nan)


def is_quantity(column: pd.Series) -> bool:
    """Whether a characteristic is a number (with a mean) or a category (with shares)."""
    if pd.api.types.is_datetime64_any_dtype(column):
        raise study_error(
            column=str(column.name),
            found="dates",
            expected="numbers or categories",
            remedy="Turn the dates into days or years first",
        )
    return pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)


def categories_of(column: pd.Series) -> list[Any]:
    """The categories that occur, an ordered column in its order, else sorted as text."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return [one for one in column.cat.categories if (column == one).any()]
    return sorted(column.dropna().unique(), key=str)


def quantity_summary(column: pd.Series) -> dict[str, Any]:
    """n_known, n_missing, mean, sd, median and quartiles (linear between values)."""
    values = numbers(column.to_frame(), str(column.name))
    known = values[~np.isnan(values)]
    row = {**_NOTHING, "n_known": known.size, "n_missing": values.size - known.size}
    if known.size:
        low, middle, high = np.quantile(known, [0.25, 0.5, 0.75])
        row |= {"mean": known.mean(), "median": middle, "lower_quartile": low, "upper_quartile": high}
    if known.size > 1:
        row["sd"] = known.std(ddof=1)
    return row


def category_summary(column: pd.Series, category: Any) -> dict[str, Any]:
    """Count of one category and its percentage of those known."""
    known = column.dropna()
    count = int((known == category).sum())
    percent = 100 * count / len(known) if len(known) else np.nan
    return {**_NOTHING, "count": count, "percent": percent}


def known_summary(column: pd.Series) -> dict[str, Any]:
    """How many are known and how many are missing."""
    return {**_NOTHING, "n_known": int(column.notna().sum()), "n_missing": int(column.isna().sum())}
