"""The data dictionary as a data package: a table schema for each table, for other programs."""

from __future__ import annotations

import json
from typing import Any

from cohortlib.study.blank.dictionary_table import choices, limits, place_of_ids
from cohortlib.tables import DICTIONARY, KEYS, ROWS, Column
from cohortlib.tables.column import ID_PATTERN

#: The profile that the descriptor follows.
PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_TYPES = {"integer": "integer", "number": "number", "date": "date", "datetime": "datetime"}
_PATTERNS = {"id": ID_PATTERN, "digest": "[0-9a-f]{64}"}
_DESCRIPTION = (
    "Tables of a study, as CSV: UTF-8, fields separated by commas, decimal points. What study.toml says "
    "otherwise ([files], [columns], [spellings], [wide]) is not known here."
)


def descriptor(*, title: str) -> str:
    """The descriptor of the study's tables, as JSON.

    Parameters
    ----------
    title
        Of the study, or "".

    Notes
    -----
    A resource has a field for each column: its type, what it may hold, and as `unit` its UCUM code. Columns
    that may be empty may also be missing, and a study may have columns of its own, so fields match
    partially.

    References
    ----------
    Data Package Standard, version 2.0: Data Package, Data Resource, Table Dialect, Table Schema.
    """
    package = {
        "$schema": PROFILE,
        "name": "study",
        **({"title": title} if title else {}),
        "description": _DESCRIPTION,
        "resources": [_resource(table) for table in DICTIONARY],
    }
    return json.dumps(package, indent=2, ensure_ascii=False) + "\n"


def _resource(table: str) -> dict[str, Any]:
    return {
        "name": table,
        "type": "table",
        "path": f"tables/{table}.csv",
        "description": f"A row is {ROWS[table]}.",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "lineTerminator": "\n", "quoteChar": '"', "doubleQuote": True},
        "schema": {
            "fields": [_field(column) for column in DICTIONARY[table].values()],
            "fieldsMatch": "partial",
            "missingValues": [""],
            **({"primaryKey": list(KEYS[table])} if table in KEYS else {}),
            **_foreign_keys(table),
        },
    }


def _field(column: Column) -> dict[str, Any]:
    description = column.meaning
    if column.refers and column.refers not in DICTIONARY and "study.toml" not in description:
        description = f"{description} ({place_of_ids(column)})"
    return {
        "name": column.column,
        "type": _TYPES.get(column.kind, "string"),
        "description": description,
        **({"unit": column.unit} if column.unit else {}),
        "constraints": _constraints(column),
    }


def _constraints(column: Column) -> dict[str, Any]:
    found: dict[str, Any] = {"required": column.required}
    if column.unique:
        found["unique"] = True
    if column.kind in _PATTERNS:
        found["pattern"] = _PATTERNS[column.kind]
    if column.kind == "choice":
        found["enum"] = list(choices(column))
    span = limits(column)
    if span is not None:
        found["minimum"], found["maximum"] = span
    return found


def _foreign_keys(table: str) -> dict[str, Any]:
    keys = [
        {"fields": [name], "reference": {"resource": column.refers, "fields": list(KEYS[column.refers])}}
        for name, column in DICTIONARY[table].items()
        if column.refers in DICTIONARY
    ]
    return {"foreignKeys": keys} if keys else {}
