"""Column: one row of the data dictionary."""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

Kind = Literal["id", "text", "integer", "number", "date", "datetime", "choice", "path", "digest"]


class Column(NamedTuple):
    """One row of the dictionary.

    `allowed` lists the choices, or gives (least, greatest) for a number. `refers` names the table
    that must hold the id. `unique` marks the key of a table. `unit` is a UCUM code.
    """

    table: str
    column: str
    kind: Kind
    required: bool
    meaning: str
    unit: str = ""
    allowed: tuple[Any, ...] = ()
    refers: str = ""
    unique: bool = False


#: How an id is written: it may become part of a file name and may be opened in a spreadsheet.
ID_PATTERN = r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,63}"
SIDES = ("left", "right")
YES_NO = ("yes", "no")
