"""StudyError: the one exception for anything the data got wrong."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

PROBLEM_COLUMNS = ("file", "line", "column", "found", "count", "expected", "remedy")


def problem(
    *,
    found: object,
    expected: str,
    remedy: str,
    file: object = "",
    line: int | None = None,
    column: str = "",
    count: int = 1,
) -> dict[str, Any]:
    """One row of a problem table: where, what was found, how often, what is expected, what to do.

    Parameters
    ----------
    found
        The value as it stands in the data, or a description in several words.
    expected, remedy
        Sentences without the closing full stop.
    file
        File name as the user knows it, relative to the study folder where there is one.
    line
        Line number as a spreadsheet shows it (the header is line 1).
    column
        Column, DICOM tag or key of `study.toml`.
    count
        How many rows have this problem; `line` is then the first of them.
    """
    return {
        "file": str(file),
        "line": line,
        "column": column,
        "found": found,
        "count": count,
        "expected": expected,
        "remedy": remedy,
    }


def sentence(row: Mapping[str, Any]) -> str:
    """The problem in words: place, value, how often, what is expected, what to do."""
    line = row["line"]
    place = [str(row["file"])] if row["file"] else []
    if line is not None and not pd.isna(line):
        place.append(f"line {int(line)}")
    head = " ".join(place)
    where = ", ".join(part for part in (head, str(row["column"])) if part)
    found = str(row["found"])
    # A value is quoted so that its ends are seen; a description in words is not.
    if (isinstance(row["found"], str) and " " not in found.strip(" ")) or found != found.strip():
        found = repr(found)
    often = f" ({row['count']} rows)" if row["count"] > 1 else ""
    prefix = f"{where}: " if where else ""
    return f"{prefix}found {found}{often}. Expected {row['expected']}. {row['remedy']}."


def problem_table(problems: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Problems as a DataFrame with the columns of `PROBLEM_COLUMNS`; no problem gives no rows."""
    table = pd.DataFrame(list(problems), columns=list(PROBLEM_COLUMNS))
    return table.astype({"line": "Int64", "count": "int64"})


class StudyError(ValueError):
    """Wrong data, with every problem found, each saying where, what, how often and what to do.

    Attributes
    ----------
    problems : DataFrame
        One row a problem: file, line, column, found, count, expected, remedy.
    """

    def __init__(self, problems: Iterable[Mapping[str, Any]]) -> None:
        rows = list(problems)
        self.problems = problem_table(rows)
        super().__init__("\n".join(sentence(row) for row in rows))

    def __reduce__(self) -> tuple[type[StudyError], tuple[list[dict[str, Any]]]]:
        """Survive the way back from a worker process with the problems intact."""
        rows: list[dict[str, Any]] = self.problems.astype(object).to_dict("records")  # type: ignore[assignment]
        return type(self), (rows,)


def study_error(**parts: Any) -> StudyError:
    """A `StudyError` with one problem; the parts are those of `problem`."""
    return StudyError([problem(**parts)])
