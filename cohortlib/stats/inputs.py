"""What every statistic asks of its table: the columns, finite numbers, ids without gaps, enough rows.

Two rules hold in the whole room. Data that are *wrong* raise a `StudyError`. Data that are merely *few*
(fewer than `LEAST` pairs, images or patients) give a row whose numbers are empty and whose note says why:
one small group never takes a whole table away, and no number is printed from two patients.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import StudyError, problem, study_error

#: Fewer pairs, subjects or patients than this give no estimate.
LEAST = 3


def check_columns(table: pd.DataFrame, columns: Iterable[str]) -> None:
    """Refuse a table that lacks a column, naming every one that is missing."""
    present = ", ".join(str(name) for name in table.columns)
    missing = [name for name in dict.fromkeys(columns) if name not in table.columns]
    if missing:
        raise StudyError(
            problem(
                column=name,
                found="no such column",
                expected=f"one of the table's columns ({present})",
                remedy="Correct the column's name or add the column",
            )
            for name in missing
        )


def check_choice(name: str, value: object, allowed: Sequence[object]) -> None:
    """Refuse an option that is not one of its allowed values."""
    if value not in allowed:
        raise study_error(
            column=name,
            found=value,
            expected="one of " + ", ".join(repr(choice) for choice in allowed),
            remedy="Choose one of these",
        )


def check_names(option: str, names: Sequence[str]) -> None:
    """Refuse one name where a list of names is meant: its letters would be taken for columns."""
    if isinstance(names, str):
        raise study_error(
            column=option,
            found=names,
            expected="a list of column names",
            remedy=f'Write {option}=["{names}"]',
        )


def check_one_row_a_hip(table: pd.DataFrame) -> None:
    """Refuse a table in which a hip comes twice, or a row has no hip."""
    identifiers(table, "hip_id")
    check_unique(table, ["hip_id"], remedy="Keep one visit and one reading of each hip")


def check_unique(table: pd.DataFrame, columns: Sequence[str], *, remedy: str) -> None:
    """Refuse a table in which the combination of these columns comes more than once."""
    repeated = table.duplicated(list(columns), keep="first")
    if repeated.any():
        first = table.loc[repeated, list(columns)].iloc[0]
        raise study_error(
            column=", ".join(columns),
            found=", ".join(str(part) for part in first),
            count=int(repeated.sum()),
            expected="each combination once",
            remedy=remedy,
        )


def numbers(table: pd.DataFrame, column: str) -> NDArray[np.float64]:
    """The column as floats, missing ones as NaN; text, dates and infinities are refused."""
    raw = table[column]
    if pd.api.types.is_datetime64_any_dtype(raw) or pd.api.types.is_timedelta64_dtype(raw):
        raise study_error(
            column=column,
            found=str(raw.dtype),
            expected="numbers",
            remedy="Turn the dates into days or years first",
        )
    values = pd.to_numeric(raw, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    wrong = (np.isnan(values) & raw.notna().to_numpy()) | np.isinf(values)
    if wrong.any():
        raise study_error(
            column=column,
            found=raw[wrong].iloc[0],
            count=int(wrong.sum()),
            expected="finite numbers, or empty where there is no value",
            remedy="Correct the values where they come from",
        )
    return values


def identifiers(table: pd.DataFrame, column: str) -> NDArray[np.str_]:
    """The column as text; a row that belongs to nobody is refused."""
    missing = table[column].isna()
    if missing.any():
        raise study_error(
            column=column,
            found="no value",
            count=int(missing.sum()),
            expected="every row to say whose it is",
            remedy="Fill in the id or leave the row out by name",
        )
    return table[column].astype(str).to_numpy(dtype=str)


def codes(labels: NDArray[np.str_]) -> tuple[NDArray[np.intp], int]:
    """Labels as 0, 1, 2 … in alphabetical order (so that the order of rows does not matter), and how many."""
    distinct, numbered = np.unique(labels, return_inverse=True)
    return numbered.astype(np.intp), int(distinct.size)


def sentence_of(*notes: str) -> str:
    """The notes that say something, joined by semicolons."""
    return "; ".join(note for note in notes if note)


def counted(count: int, noun: str, rest: str) -> str:
    """`3 pairs without a value`, or nothing where the count is zero."""
    return f"{count} {noun}{'' if count == 1 else 's'} {rest}" if count else ""


def one_row(values: dict[str, object]) -> pd.DataFrame:
    """A table of one row, columns in the order given."""
    columns: dict[Hashable, list[object]] = {name: [value] for name, value in values.items()}
    return pd.DataFrame(columns)
