"""What study.toml says of exports with names of their own: [columns], [spellings], [sheets], [[wide]]."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from cohortlib.errors import problem
from cohortlib.study.cells import PATH_PATTERN
from cohortlib.study.definition_keys import PAIRS
from cohortlib.study.grouping import shown
from cohortlib.study.names import alternatives, meant
from cohortlib.study.toml_file import Lines, place
from cohortlib.tables import DICTIONARY

#: A column of a wide form names what it is of: "OHS_{item}".
PLACEHOLDER = re.compile(r"\{(\w+)\}")
#: Columns of ids whose other spellings may be declared, and where the ids stand in study.toml.
_DEFINED_IDS = {"arm": "arms", "visit_id": "visits", "instrument": "instruments"}
_OWN_NAME = re.compile(r"x_\w{1,60}")


def mapping_problems(definition: Mapping[str, Any], lines: Lines) -> list[dict[str, Any]]:
    """Problems of the names a study declares; a section that is missing was reported before."""
    problems = list(_workbook(definition.get("files", {}), lines))
    if "wide" in definition:
        wide = definition["wide"].to_dict("records")
        for number, entry in enumerate(wide):
            problems += _wide(entry, number, lines)
        problems += _columns(definition.get("columns", {}), wide, lines)
        problems += _sheets(definition.get("sheets", {}), wide, lines)
    return problems + list(_spellings(definition, lines))


def pair_problems(values: Mapping[str, Any], section: str, lines: Lines) -> list[dict[str, Any]]:
    """Problems of a section whose keys are free: [sheets] of text = text, [columns.hips] of such sections."""
    whole = values.get(section, {})
    name = section if section in PAIRS else f"{section}.<name>"
    expected, remedy = f"[{name}] with lines of text = text", "Correct the brackets and the quotation marks"
    parts = {section: whole} if section in PAIRS or not isinstance(whole, dict) else whole
    problems = []
    for part, pairs in parts.items():
        if not is_pairs(pairs):
            at = place(lines, section if part == section else f"{section}.{part}", 0, "")
            at["column"] = shown(at["column"])
            problems.append(problem(**at, found=shown(pairs), expected=expected, remedy=remedy))
    return problems


def _spellings(definition: Mapping[str, Any], lines: Lines) -> Iterator[dict[str, Any]]:
    """[spellings.<column>]: other spellings of choices, and of ids that study.toml defines."""
    known: dict[str, tuple[str, ...]] = {}
    for table in DICTIONARY.values():
        for name, column in table.items():
            if column.kind == "choice":
                known[name] = tuple(dict.fromkeys((*known.get(name, ()), *column.allowed)))
    for name, section in _DEFINED_IDS.items():
        if section in definition:
            known[name] = tuple(definition[section][name])
    for column, pairs in definition.get("spellings", {}).items():
        at = place(lines, f"spellings.{column}", 0, "")
        at["column"] = shown(at["column"])
        if column not in known:
            if column not in _DEFINED_IDS:
                expected = f"[spellings.<column>] with a column of choices: {alternatives(known)}"
                remedy = f"Correct the name of the column{meant(column, known)}"
                yield problem(**at, found=shown(column), expected=expected, remedy=remedy)
            continue
        for found, meaning in pairs.items():
            if meaning not in known[column] or found in known[column]:
                at = place(lines, f"spellings.{column}", 0, found)
                at["column"] = shown(at["column"])
                expected = f"another spelling = one of {alternatives(known[column])}"
                wrong = shown(f"{found} = {meaning}")
                yield problem(**at, found=wrong, expected=expected, remedy="Correct the spelling")


def _workbook(files: Mapping[str, Any], lines: Lines) -> Iterator[dict[str, Any]]:
    at = place(lines, "files", 0, "workbook")
    if "workbook" not in files:
        if files.get("other_sheets"):
            at = place(lines, "files", 0, "other_sheets")
            remedy = "Name the workbook under [files], or remove the key"
            yield problem(**at, found="no workbook", expected='workbook = "….xlsx"', remedy=remedy)
    elif not re.fullmatch(PATH_PATTERN, files["workbook"]) or not files["workbook"].endswith(".xlsx"):
        expected = "the path of an .xlsx file below the study folder"
        remedy = "Save the workbook as .xlsx in the study folder and write its path from there"
        yield problem(**at, found=shown(files["workbook"]), expected=expected, remedy=remedy)


def _wide(entry: Mapping[str, Any], number: int, lines: Lines) -> Iterator[dict[str, Any]]:
    """One [[wide]]: a table of the dictionary, its value columns, what the headings and the entry say."""
    columns = DICTIONARY[entry["table"]]
    values, fixed = entry["values"], entry["fixed"] or {}
    for key, pairs in (("values", values), ("fixed", fixed)):
        at = place(lines, "wide", number, key)
        for name in pairs:
            if name not in columns:
                remedy = f"Correct the name of the column{meant(name, columns)}"
                expected = f"a column of {entry['table']}: {alternatives(columns)}"
                yield problem(**at, found=shown(name), expected=expected, remedy=remedy)
    at = place(lines, "wide", number, "values")
    if not values:
        remedy = "Say which columns hold the values"
        yield problem(**at, found="no pair", expected='{ answer = "OHS_{item}" } or the like', remedy=remedy)
    named = {pattern: PLACEHOLDER.findall(pattern) for pattern in values.values()}
    first = sorted(next(iter(named.values()), []))
    for pattern, names in named.items():
        usable = [
            name for name in names if name in columns and columns[name].kind in ("id", "integer", "choice")
        ]
        if not names or usable != names or sorted(names) != first or len(set(names)) != len(names):
            expected = "a heading with {item} or another column of the table in it, the same in all patterns"
            remedy = 'Write what changes from heading to heading in braces, such as "OHS_{item}"'
            yield problem(**at, found=shown(pattern), expected=expected, remedy=remedy)
    twice = sorted((set(first) & {*values, *fixed}) | (set(values) & set(fixed)))
    if twice:
        remedy = "Say it once"
        yield problem(**at, found=alternatives(twice), expected="each column once", remedy=remedy)


def _columns(
    columns: Mapping[str, Mapping[str, str]], wide: list[dict[Any, Any]], lines: Lines
) -> Iterator[dict[str, Any]]:
    """[columns.<source>]: headings of an export = columns of the dictionary."""
    sources = {table: [table] for table in DICTIONARY}
    for entry in wide:
        sources.setdefault(entry["source"], []).append(entry["table"])
    for source, pairs in columns.items():
        at = place(lines, f"columns.{source}", 0, "")
        at["column"] = shown(at["column"])
        if source not in sources:
            expected = f"[columns.<table>], a table or the source of [[wide]]: {alternatives(sources)}"
            remedy = f"Correct the name{meant(source, sources)}"
            yield problem(**at, found=shown(source), expected=expected, remedy=remedy)
            continue
        known = {name for table in sources[source] for name in DICTIONARY[table]}
        for heading, name in pairs.items():
            at = place(lines, f"columns.{source}", 0, heading)
            at["column"] = shown(at["column"])
            if name and name not in known and not _OWN_NAME.fullmatch(name):
                expected = f'a heading = a column of {source}, a name with x_, or "" to leave it out'
                remedy = f"Correct the name of the column{meant(name, known)}"
                yield problem(**at, found=shown(f"{heading} = {name}"), expected=expected, remedy=remedy)
        given = [name for name in pairs.values() if name]
        for name in sorted({name for name in given if given.count(name) > 1}):
            remedy = "Keep the heading that counts, and leave the other out"
            yield problem(**at, found=shown(name), expected="each column once", remedy=remedy)


def _sheets(sheets: Mapping[str, str], wide: list[dict[Any, Any]], lines: Lines) -> Iterator[dict[str, Any]]:
    known = [*DICTIONARY, *(entry["source"] for entry in wide)]
    for name in sheets:
        if name not in known:
            at = place(lines, "sheets", 0, name)
            at["column"] = shown(at["column"])
            expected = f"a table or the source of [[wide]] = the sheet: {alternatives(known)}"
            remedy = f"Correct the name{meant(name, known)}"
            yield problem(**at, found=shown(name), expected=expected, remedy=remedy)
    given = list(sheets.values())
    for name in sorted({name for name in given if given.count(name) > 1}):
        at = place(lines, "sheets", 0, "")
        remedy = "Give each table its own sheet"
        yield problem(**at, found=shown(name), expected="each sheet once", remedy=remedy)


def is_pairs(value: Any) -> bool:
    """Whether a value of study.toml is a section of text = text, in letters that can be shown."""
    return isinstance(value, dict) and all(
        isinstance(text, str)
        and len(key) <= 200
        and len(text) <= 200
        and key.isprintable()
        and text.isprintable()
        for key, text in value.items()
    )
