"""The data dictionary as a page to read and to print: it needs nothing but itself."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.etree.ElementTree import Element, SubElement, tostring

import cohortlib
from cohortlib.study.blank.dictionary_table import choices, limits, place_of_ids
from cohortlib.study.blank.page_style import STYLE
from cohortlib.tables import DICTIONARY, KEYS, REQUIRED_TABLES, ROWS, SIGNALS, ZONE_SYSTEMS, Column

# The browser itself is told to load and run nothing.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
_WRITTEN = (
    "Each table is a file NAME.csv in the folder tables/: text in UTF-8, a comma between the cells, the "
    "names of the columns in the first line. study.toml may say otherwise, under [files], [columns] and "
    "[spellings]. An empty cell is a value that is not known; it is never the same as no. Columns of your "
    "own begin with x_."
)
_KINDS = (
    ("id", "a study number or short name: up to 64 letters a-z, digits and _ - . ; never a person's name"),
    ("text", "words; not a formula"),
    ("choice", "one of the listed words, spelt as they are here"),
    ("integer, number", "a number alone, with a decimal point, in the unit beside it (a UCUM code)"),
    ("date", "year-month-day, such as 2031-06-30"),
    ("datetime", "date and time with its zone, such as 2031-06-30T09:00:00Z"),
    ("path", "where a file lies below the study folder, with / between the steps"),
    ("digest", "SHA-256 of a file, in small letters"),
)
_HEAD = ("Column", "Kind", "Unit", "Needed", "What it is", "What may stand there")
_WIDTHS = ("21%", "9%", "8%", "8%", "29%", "25%")


def dictionary_page(*, title: str) -> str:
    """The page as HTML, without scripts; every text is escaped.

    Parameters
    ----------
    title
        Of the study, or "".
    """
    html = Element("html", lang="en")
    head = SubElement(html, "head")
    SubElement(head, "meta", charset="utf-8")
    SubElement(head, "meta", {"http-equiv": "Content-Security-Policy", "content": _POLICY})
    SubElement(head, "meta", name="viewport", content="width=device-width, initial-scale=1")
    SubElement(head, "title").text = f"Data dictionary: {title}" if title else "Data dictionary"
    SubElement(head, "style").text = STYLE
    main = SubElement(SubElement(html, "body"), "main")
    SubElement(main, "h1").text = "Data dictionary"
    if title:
        SubElement(main, "p", {"class": "study"}).text = title
    SubElement(main, "p").text = _WRITTEN
    _contents(main)
    for table in DICTIONARY:
        _table(main, table)
    _lists(main)
    SubElement(main, "footer").text = (
        f"Written by cohortlib {cohortlib.__version__}. For research; not a medical device. The local "
        "protocol, the ethics approval, radiation rules and the responsible clinician come first."
    )
    return "<!DOCTYPE html>\n" + tostring(html, encoding="unicode", method="html") + "\n"


def _contents(main: Element) -> None:
    listed = SubElement(main, "ul", {"class": "contents"})
    for table, row in ROWS.items():
        item = SubElement(listed, "li")
        SubElement(item, "a", href=f"#{table}").text = table
        needed = "; no study without it" if table in REQUIRED_TABLES else ""
        SubElement(item, "span", {"class": "row"}).text = f"a row is {row}{needed}"
    _rows(main, ("Kind", "What stands in the cell"), _KINDS, ("16%", "84%"))


def _table(main: Element, table: str) -> None:
    SubElement(main, "h2", id=table).text = table
    once = f" Each {' with '.join(KEYS[table])} stands there once." if table in KEYS else ""
    SubElement(main, "p", {"class": "row"}).text = f"tables/{table}.csv: a row is {ROWS[table]}.{once}"
    _rows(main, _HEAD, [_described(column) for column in DICTIONARY[table].values()], _WIDTHS)


def _lists(main: Element) -> None:
    SubElement(main, "h2", id="zones").text = "Zone systems"
    zones = [
        (name, system.bone, f"{', '.join(system.names)}: {system.counted}", system.source)
        for name, system in ZONE_SYSTEMS.items()
    ]
    _rows(main, ("System", "Bone", "Zones", "Source"), zones, ("18%", "14%", "34%", "34%"))
    SubElement(main, "h2", id="signals").text = "Signals of gait curves"
    signals = [(name, ", ".join(signal.units), f"+ = {signal.positive}") for name, signal in SIGNALS.items()]
    _rows(main, ("Signal", "Units", "Sign, for the leg it belongs to"), signals, ("30%", "20%", "50%"))
    SubElement(main, "p", {"class": "row"}).text = (
        "Moments are internal: what muscles and ligaments do. External moments have the other sign. A force "
        "in 1 is a multiple of body weight."
    )


def _rows(main: Element, head: Sequence[str], rows: Iterable[Sequence[str]], widths: Sequence[str]) -> None:
    table = SubElement(main, "table")
    group = SubElement(table, "colgroup")
    for width in widths:
        SubElement(group, "col", style=f"width: {width}")
    line = SubElement(SubElement(table, "thead"), "tr")
    for name in head:
        SubElement(line, "th", scope="col").text = name
    body = SubElement(table, "tbody")
    for name, *cells in rows:
        line = SubElement(body, "tr")
        SubElement(SubElement(line, "th", scope="row"), "code").text = name
        for cell in cells:
            SubElement(line, "td", {"class": "needed"} if cell == "yes" else {}).text = cell


def _described(column: Column) -> tuple[str, ...]:
    unit = column.unit if column.unit != "1" else ""
    needed = "yes" if column.required else ""
    return column.column, column.kind, unit, needed, column.meaning, _allowed(column)


def _allowed(column: Column) -> str:
    if column.column == "signal":
        return "a signal of the list at the end"
    if column.refers:
        return f"one of {place_of_ids(column)}"
    span = limits(column)
    return ", ".join(choices(column)) if span is None else f"{span[0]:.10g} to {span[1]:.10g}"
