"""Findings in few lines for a terminal: how many, why, and where the first of them are."""

from __future__ import annotations

import pandas as pd

#: Places that are named of those that share a reason.
_NAMED = 10


def printable(text: str) -> str:
    """A name as a terminal may show it: what would move its cursor or turn its letters is a question mark."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def print_reasons(reasons: pd.Series, places: pd.Series) -> None:
    """Print every reason once, the most frequent first, with the first places that have it.

    Parameters
    ----------
    reasons
        Texts; "" is no reason.
    places
        Where each of them is, with the same index.
    """
    given = reasons[reasons != ""]
    for reason, count in given.value_counts(sort=True).items():
        rows = places[given.index[given == reason]]
        named = ", ".join(map(printable, rows.iloc[:_NAMED])) + (", …" if len(rows) > _NAMED else "")
        print(f"  {count:>5}  {printable(str(reason))}\n         {named}")
