"""The keys of study.toml: one row a key, its meaning said once."""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

KeyKind = Literal["id", "text", "integer", "number", "date", "flag", "choice"]


class Key(NamedTuple):
    """One row: a key of a section; section "" is the top of the file."""

    section: str
    key: str
    kind: KeyKind
    required: bool
    meaning: str
    allowed: tuple[Any, ...] = ()


#: Sections written [[so]], once an entry; each becomes a table.
LISTS = ("arms", "visits", "instruments", "thresholds")
#: Sections written [so], once.
SINGLE = ("endpoint", "files")
#: Sections without which there is no study. [spellings.<column>] is free in its keys.
REQUIRED_SECTIONS = ("arms", "visits", "endpoint")

DIRECTIONS = ("high is good", "low is good")
ENCODINGS = ("utf-8", "windows-1252")

KEYS = (
    Key("", "title", "text", True, "title of the study"),
    Key("", "comparator", "id", True, "the arm the others are judged against"),
    Key("", "data_cut", "date", False, "last day whose data count"),
    Key("", "synthetic", "flag", False, "true if the study is invented"),
    Key("arms", "arm", "id", True, "as in hips.csv"),
    Key("arms", "label", "text", True, "as figures show it"),
    Key("visits", "visit_id", "id", True, "as in visits.csv"),
    Key("visits", "label", "text", True, "as figures show it"),
    Key("visits", "due_days", "integer", True, "planned day, counted from surgery", (-3650, 36500)),
    Key("visits", "earliest_days", "integer", True, "first day of the window", (-3650, 36500)),
    Key("visits", "latest_days", "integer", True, "last day of the window", (-3650, 36500)),
    Key("instruments", "instrument", "id", True, "as in answers.csv"),
    Key("instruments", "label", "text", True, "as figures show it"),
    Key("instruments", "items", "integer", True, "number of questions", (1, 99)),
    Key("instruments", "lowest", "integer", True, "lowest score of an answer", (0, 100)),
    Key("instruments", "highest", "integer", True, "highest score of an answer", (1, 100)),
    Key("instruments", "direction", "choice", True, "what a high score means", DIRECTIONS),
    Key("instruments", "direction_confirmed", "flag", False, "true if someone compared it with the forms"),
    Key("thresholds", "threshold", "text", True, "name of the threshold"),
    Key("thresholds", "quantity", "id", True, "a quantity of the catalogue, or an instrument"),
    Key("thresholds", "lower", "number", False, "lower limit"),
    Key("thresholds", "upper", "number", False, "upper limit"),
    Key("thresholds", "unit", "text", True, "UCUM code of the limits"),
    Key("thresholds", "definition", "text", False, "definition of the quantity the limits hold for"),
    Key("thresholds", "source", "text", True, "where the limits come from"),
    Key("endpoint", "instrument", "id", False, "the instrument, if the primary endpoint is a score"),
    Key("endpoint", "quantity", "id", False, "the quantity, if the primary endpoint is measured on images"),
    Key("endpoint", "visit_id", "id", True, "the visit of the primary endpoint"),
    Key("endpoint", "margin", "number", False, "non-inferiority margin, in the endpoint's unit"),
    Key("endpoint", "margin_rationale", "text", False, "why this margin"),
    Key("endpoint", "margin_fixed_on", "date", False, "the day the margin was fixed"),
    Key("endpoint", "population", "text", False, "whose data the primary analysis takes"),
    Key("files", "encoding", "choice", False, "letters of all tables", ENCODINGS),
    Key("files", "separator", "choice", False, "between the fields of all tables", (",", ";", "\t")),
    Key("files", "decimal", "choice", False, "decimal mark of all tables", (".", ",")),
)


def section_keys(section: str) -> dict[str, Key]:
    """The keys of one section by their name."""
    return {row.key: row for row in KEYS if row.section == section}
