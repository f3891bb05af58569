"""Rows whose key another row above has, and rows that stand there twice."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.study.checks.coded import has_repeats, row_codes, words
from cohortlib.study.grouping import file_name, grouped_problems
from cohortlib.study.sources.places import Place
from cohortlib.tables import KEYS

#: What must be there once besides the keys of the dictionary: a patient has one hip a side, and of the
#: many points of a rim none stands at the place of another.
_ALSO_ONCE = {
    "hips": ("patient_id", "side"),
    "landmarks": ("image_id", "reader_id", "repeat", "landmark", "side", "x_px", "y_px"),
}


def key_problems(tables: Mapping[str, pd.DataFrame], places: Mapping[str, Place]) -> list[dict[str, Any]]:
    """Rows whose key another row above has.

    Parameters
    ----------
    tables
        Typed tables, wrong cells missing.
    places
        Where the rows of each table stand.
    """
    problems = []
    for name, table in tables.items():
        for keys in filter(None, (KEYS.get(name), _ALSO_ONCE.get(name))):
            codes, size = row_codes(table, keys)
            if has_repeats(codes, size):
                problems += _repeated(table, name, keys, codes, places[name])
    return problems


def _repeated(
    table: pd.DataFrame, name: str, keys: tuple[str, ...], codes: np.ndarray, place: Place
) -> list[dict[str, Any]]:
    known = pd.Series(codes, index=table.index)[codes >= 0]
    again = known[known.duplicated()]
    first = known[known.isin(again)].drop_duplicates()
    lines = pd.Series([place.words(int(row)) for row in first.index], index=first.to_numpy(), dtype="str")
    return grouped_problems(
        words(table.loc[again.index], keys),
        file=file_name(name),
        column=", ".join(keys),
        expected=f"each {' with '.join(keys)} once",
        remedy="Delete the row or correct it (the same stands in "
        + pd.Series(lines.loc[again].to_numpy(), index=again.index, dtype="str")
        + ")",
    )
