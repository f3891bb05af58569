"""Rows as numbers: equal numbers for equal values, so that a million rows are compared at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.study.columns import plain_texts

_LARGEST = 2**62
#: Numbers up to so many times the rows are counted in a table instead of sorted.
_ROOMY = 4


def row_codes(table: pd.DataFrame, columns: Sequence[str]) -> tuple[NDArray[np.int64], int]:
    """A number for each row, the same for rows with the same values; −1 where one is missing.

    Returns
    -------
    codes : (n,)
    size : int
        All numbers are below it.
    """
    codes, size = _codes(table[columns[0]])
    for name in columns[1:]:
        further, count = _codes(table[name])
        missing = further < 0 if further.min(initial=0) < 0 else None
        if codes.min(initial=0) < 0:
            missing = codes < 0 if missing is None else missing | (codes < 0)
        if size * count >= _LARGEST:
            codes, distinct = pd.factorize(codes)
            size = len(distinct)
        codes = codes * count
        codes += further
        if missing is not None:
            codes[missing] = -1
        size *= count
    return codes, size


def has_repeats(codes: NDArray[np.int64], size: int) -> bool:
    """Whether a number that is not −1 stands there more than once."""
    known = codes[codes >= 0] if (codes < 0).any() else codes
    if len(known) == 0:
        return False
    if _is_roomy(size, known):
        return bool(np.bincount(known).max() > 1)
    return len(pd.unique(known)) < len(known)


def distinct_codes(codes: NDArray[np.int64], size: int) -> NDArray[np.int64]:
    """The numbers that stand there, but for −1, in their order."""
    known = codes[codes >= 0] if (codes < 0).any() else codes
    return np.flatnonzero(np.bincount(known)) if _is_roomy(size, known) else np.unique(known)


def places_of(
    codes: NDArray[np.int64], size: int, distinct: NDArray[np.int64], values: NDArray[np.int64]
) -> NDArray[np.int64]:
    """For each number the value of its place in `distinct` (all there are, in order); −1 for −1."""
    if _is_roomy(size, codes):
        table = np.full(size + 1, -1, dtype=np.int64)
        table[distinct] = values
        return table[codes]  # −1 is the last
    found = (
        values[np.minimum(np.searchsorted(distinct, codes), len(distinct) - 1)] if len(distinct) else codes
    )
    return np.where(codes < 0, -1, found)


def _is_roomy(size: int, codes: NDArray[np.int64]) -> bool:
    return size <= _ROOMY * len(codes) + 1_000_000


def texts(cells: pd.Series) -> pd.Series:
    """Cells as `str`: texts as they are, days as year-month-day, numbers without needless digits."""
    if len(cells) == 0:
        return pd.Series(index=cells.index, dtype="str")
    kind = cells.dtype.kind if isinstance(cells.dtype, np.dtype) else ""
    if kind == "M":
        return cells.dt.strftime("%Y-%m-%d").astype("str")
    if kind == "f":
        return cells.map("{:.10g}".format, na_action="ignore").astype("str")
    return plain_texts(cells).astype("str")


def joined(*parts: str | pd.Series) -> pd.Series:
    """A sentence a row: texts, and the cells of Series with the same index."""
    index = next(part.index for part in parts if isinstance(part, pd.Series))
    if len(index) == 0:
        return pd.Series(index=index, dtype="str")
    sentences = pd.Series("", index=index, dtype="str")
    for part in parts:
        sentences = sentences + (part if isinstance(part, str) else texts(part))
    return sentences


def words(table: pd.DataFrame, columns: Sequence[str]) -> pd.Series:
    """The values of each row as a sentence lists them: "P01, before"."""
    parts: list[str | pd.Series] = []
    for name in columns:
        parts += [", ", table[name]] if parts else [table[name]]
    return joined(*parts)


def _codes(cells: pd.Series) -> tuple[NDArray[np.int64], int]:
    if isinstance(cells.dtype, pd.CategoricalDtype):
        return cells.cat.codes.to_numpy().astype(np.int64), max(len(cells.cat.categories), 1)
    if cells.dtype == "Int64" and len(cells):
        numbers, least = cells.to_numpy(dtype="int64", na_value=-1), cells.min()
        if least is not pd.NA and least >= 0 and numbers.max() < len(cells):
            return numbers, int(numbers.max()) + 1
    codes, distinct = pd.factorize(cells)
    return codes.astype(np.int64), max(len(distinct), 1)
