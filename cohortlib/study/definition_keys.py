"""The keys of study.toml: one row a key, its meaning said once."""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

from cohortlib.tables import DICTIONARY
from cohortlib.tables.zones import ZONE_SYSTEMS

KeyKind = Literal["id", "ids", "text", "texts", "pairs", "integer", "number", "date", "flag", "choice"]


class Key(NamedTuple):
    """One row: a key of a section; section "" is the top of the file."""

    section: str
    key: str
    kind: KeyKind
    required: bool
    meaning: str
    allowed: tuple[Any, ...] = ()


#: Sections written [[so]], once an entry; each becomes a table.
LISTS = ("arms", "visits", "instruments", "thresholds", "discrepancies", "calibrations", "wide")
#: Sections written [so], once.
SINGLE = ("endpoint", "readings", "bone_density", "files")
#: Sections whose keys are free: text = text, the second kind in sections of its own ([columns.hips]).
PAIRS, NESTED = ("sheets",), ("columns", "spellings")
#: All sections.
SECTIONS = (*LISTS, *SINGLE, *PAIRS, *NESTED)
#: Sections without which there is no study.
REQUIRED_SECTIONS = ("arms", "visits", "endpoint")

DIRECTIONS = ("high is good", "low is good")
ENCODINGS = ("utf-8", "windows-1252")
#: How dates stand in the tables; 2031-06-30 is understood in any case.
DATES = ("year first", "day first")

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
    Key("visits", "examinations", "ids", False, "what is expected besides the visit itself"),
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
    Key("thresholds", "time_point", "text", False, "time since surgery that the limits hold for"),
    Key("thresholds", "derivation", "text", False, "how the limits were worked out, such as by an anchor"),
    Key("thresholds", "source", "text", True, "where the limits come from"),
    Key("endpoint", "instrument", "id", False, "the instrument, if the primary endpoint is a score"),
    Key("endpoint", "quantity", "id", False, "the quantity, if the primary endpoint is measured on images"),
    Key("endpoint", "visit_id", "id", True, "the visit of the primary endpoint"),
    Key("endpoint", "margin", "number", False, "non-inferiority margin, in the endpoint's unit"),
    Key("endpoint", "margin_rationale", "text", False, "why this margin"),
    Key("endpoint", "margin_fixed_on", "date", False, "the day the margin was fixed"),
    Key("endpoint", "population", "text", False, "whose data the primary analysis takes"),
    Key("readings", "url", "text", False, "database of the readings; without it a file in the study folder"),
    Key("readings", "readers", "ids", False, "reader_id of everybody who reads all images"),
    Key("readings", "adjudicator", "id", False, "reader_id of who decides where two readers differ"),
    Key("readings", "repeat_share", "number", False, "part of the images that is shown twice", (0, 0.5)),
    Key("readings", "washout_days", "integer", False, "least days before an image is shown again", (0, 3650)),
    Key("readings", "seed", "integer", False, "of the random order", (0, 2**31 - 1)),
    Key("discrepancies", "quantity", "id", True, "a quantity that two readers are compared in"),
    Key(
        "discrepancies", "limit", "number", True, "greatest difference that needs no third reader", (0, 1e12)
    ),
    Key("discrepancies", "unit", "text", True, "UCUM code of the limit"),
    Key("bone_density", "baseline", "id", False, "visit of the first scan after the operation"),
    Key("bone_density", "zone_system", "choice", False, "zones of the primary question", tuple(ZONE_SYSTEMS)),
    Key("bone_density", "zones", "ids", False, "zones named beforehand; all others are exploratory"),
    Key(
        "bone_density",
        "published_precision",
        "number",
        False,
        "precision error in g/cm2 of others",
        (0.001, 1),
    ),
    Key("bone_density", "published_source", "text", False, "who published it, and where"),
    Key("calibrations", "from_scanner", "id", True, "scanner whose values are turned into those of another"),
    Key("calibrations", "from_mode", "text", True, "its mode"),
    Key("calibrations", "to_scanner", "id", True, "the scanner that they are compared on"),
    Key("calibrations", "to_mode", "text", True, "its mode"),
    Key("calibrations", "slope", "number", True, "value · slope + offset", (0.2, 5)),
    Key("calibrations", "offset", "number", True, "in g/cm2", (-1, 1)),
    Key("calibrations", "source", "text", True, "who measured it, how and when"),
    Key("files", "encoding", "choice", False, "letters of all tables", ENCODINGS),
    Key("files", "separator", "choice", False, "between the fields of all tables", (",", ";", "\t")),
    Key("files", "decimal", "choice", False, "decimal mark of all tables", (".", ",")),
    Key("files", "dates", "choice", False, "order of day, month and year in all tables", DATES),
    Key("files", "workbook", "text", False, "workbook that holds the tables, a sheet each"),
    Key("files", "other_sheets", "texts", False, "sheets of the workbook that hold no table"),
    Key("wide", "table", "choice", True, "the table whose rows stand side by side", tuple(DICTIONARY)),
    Key("wide", "source", "id", True, "file of tables/ without .csv, or sheet"),
    Key("wide", "values", "pairs", True, "column of values = its headings, such as OHS_{item}"),
    Key("wide", "fixed", "pairs", False, "column = what holds for all rows"),
)


def section_keys(section: str) -> dict[str, Key]:
    """The keys of one section by their name."""
    return {row.key: row for row in KEYS if row.section == section}
