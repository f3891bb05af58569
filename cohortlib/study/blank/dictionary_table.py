"""The data dictionary as one table, a row a column: for a spreadsheet."""

from __future__ import annotations

import pandas as pd

from cohortlib.tables import DICTIONARY, KEYS, Column


def dictionary_table() -> pd.DataFrame:
    """Every column of every table.

    Returns
    -------
    DataFrame
        table, column, kind, unit (UCUM), required, key (yes or no), least, greatest (of a number),
        choices (with ; between them), refers (where the id stands), meaning.
    """
    rows = [_row(column) for table in DICTIONARY.values() for column in table.values()]
    return pd.DataFrame(rows).astype({"least": "float64", "greatest": "float64"})


def choices(column: Column) -> tuple[str, ...]:
    """What a cell of a column of choices may hold; nothing for other kinds."""
    return tuple(map(str, column.allowed)) if column.kind == "choice" else ()


def limits(column: Column) -> tuple[float, float] | None:
    """Least and greatest value of a number, if it has any."""
    if column.kind not in ("integer", "number") or not column.allowed:
        return None
    least, greatest = column.allowed
    return least, greatest


def place_of_ids(column: Column) -> str:
    """Where an id must stand: a file, or a section of study.toml; "" for an id of its own."""
    if not column.refers:
        return ""
    if column.refers in DICTIONARY:
        return f"tables/{column.refers}.csv"
    section = {"schedule": "visits"}.get(column.refers, column.refers)
    return f"study.toml [[{section}]]"


def _row(column: Column) -> dict[str, object]:
    least, greatest = limits(column) or (None, None)
    return {
        "table": column.table,
        "column": column.column,
        "kind": column.kind,
        "unit": column.unit,
        "required": "yes" if column.required else "no",
        "key": "yes" if column.column in KEYS.get(column.table, ()) else "no",
        "least": least,
        "greatest": greatest,
        "choices": "; ".join(choices(column)),
        "refers": place_of_ids(column),
        "meaning": column.meaning,
    }
