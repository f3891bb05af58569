"""Many wrong cells in few sentences: each value once, with its count and its first line."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pandas as pd

from cohortlib.errors import problem

#: Distinct wrong values that are spelt out for one column and one reason; the rest is counted.
MOST_VALUES_SHOWN = 20
_LONGEST_SHOWN = 60
#: The password in an address, as far as there is one.
_PASSWORD = re.compile(r"(://[^/\s:@]*):[^\s]*@")


def file_name(table: str) -> str:
    """The file of a table as the user knows it."""
    return f"tables/{table}.csv"


def shown(value: object) -> str:
    """A value fit for a message: short, in one line, and without letters that cannot be printed."""
    try:
        text = str(value)
    except (ValueError, RecursionError):  # more digits, or deeper brackets, than can be written out
        return "a value too long to be shown"
    text = _PASSWORD.sub(r"\1:***@", text)
    if len(text) > _LONGEST_SHOWN:
        return f"{shown(text[: _LONGEST_SHOWN - 20])}… ({len(text)} letters)"
    if any("\udc80" <= letter <= "\udcff" for letter in text):
        # Bytes that are no UTF-8 are most often the single-byte text of a spreadsheet under Windows.
        text = text.encode("utf-8", "surrogateescape").decode("windows-1252", "replace")
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in text
    )


def grouped_problems(
    cells: pd.Series,
    *,
    file: str,
    column: str,
    expected: str | pd.Series,
    remedy: str | pd.Series | Callable[[str], str],
) -> list[dict[str, Any]]:
    """Problems of wrong cells, one a distinct value (and expectation), in the order of the file.

    Parameters
    ----------
    cells
        The wrong cells only; the index is the line.
    expected, remedy
        Sentences for all cells, or a Series with one a cell; `remedy` may be a function of the value.
    """
    if cells.empty:
        return []
    table = pd.DataFrame({"found": cells.astype(object), "expected": expected})
    table["remedy"] = "" if callable(remedy) else remedy
    table["line"] = cells.index
    rows = (
        table.groupby(["found", "expected", "remedy"], sort=False, dropna=False)["line"]
        .agg(["size", "min"])
        .reset_index()
    )
    rows = rows.sort_values("min", kind="stable")
    head, tail = rows.iloc[:MOST_VALUES_SHOWN], rows.iloc[MOST_VALUES_SHOWN:]
    found = [
        problem(
            file=file,
            line=int(row["min"]),
            column=column,
            found=shown(row["found"]),
            count=int(row["size"]),
            expected=row["expected"],
            remedy=remedy(str(row["found"])) if callable(remedy) else row["remedy"],
        )
        for row in head.to_dict("records")
    ]
    if len(tail):
        found.append(
            problem(
                file=file,
                line=int(tail["min"].iloc[0]),
                column=column,
                found=f"{len(tail)} other values",
                count=int(tail["size"].sum()),
                expected=f"as for the {MOST_VALUES_SHOWN} values above",
                remedy="Correct those first, then check again",
            )
        )
    return found
