"""study.toml → the definition of the study, every key checked."""

from __future__ import annotations

import datetime
import math
import re
from typing import Any

import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.dates import EARLIEST, LATEST
from cohortlib.study.definition_keys import (
    LISTS,
    NESTED,
    PAIRS,
    REQUIRED_SECTIONS,
    SECTIONS,
    SINGLE,
    Key,
    section_keys,
)
from cohortlib.study.definition_mappings import is_pairs, mapping_problems, pair_problems
from cohortlib.study.definition_rules import rule_problems
from cohortlib.study.grouping import shown
from cohortlib.study.names import alternatives, nearest_name
from cohortlib.study.toml_file import Lines, place, toml_values
from cohortlib.tables.column import ID_PATTERN

_LONGEST_TEXT = 1000
#: A number is read and written without loss below this.
_TOO_LARGE = 10**15
_DTYPES = {"integer": "int64", "number": "float64", "flag": "bool"}
_DTYPES |= dict.fromkeys(("ids", "texts", "pairs"), "object")
_USUAL_FILES = {"encoding": "utf-8", "separator": ",", "decimal": ".", "dates": "year first"}


def study_definition(data: bytes) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The definition of the study, and every problem of study.toml.

    Parameters
    ----------
    data
        The file as it is.

    Returns
    -------
    definition : dict
        title, comparator, data_cut, synthetic · arms, visits, instruments, thresholds (DataFrames,
        columns as in `definition_keys`), wide · endpoint, readings, files, sheets, columns, spellings
        (dicts). A section with a problem is missing; one that was left out is empty or has the usual
        values.
    problems : list
    """
    values, lines, problems = toml_values(data)
    if problems:
        return {}, problems
    problems = _names_at_the_top(values, lines)
    top, wrong = _entry({key: value for key, value in values.items() if key not in SECTIONS}, "", 0, lines)
    problems += wrong
    definition: dict[str, Any] = {"data_cut": None, "synthetic": False, **top}
    for section in (*LISTS, *SINGLE):
        entries, wrong = _entries(values.get(section, [] if section in LISTS else {}), section, lines)
        problems += wrong
        # A section that is needed and has no entry was reported above.
        if not wrong and (values.get(section) or section not in REQUIRED_SECTIONS):
            definition[section] = _table(entries, section) if section in LISTS else entries[0]
    if "files" in definition:
        definition["files"] = {**_USUAL_FILES, **definition["files"]}
    for section in (*PAIRS, *NESTED):
        wrong = pair_problems(values, section, lines)
        problems += wrong
        if not wrong:
            definition[section] = values.get(section, {})
    problems += rule_problems(definition, lines)
    wrong = mapping_problems(definition, lines)
    if wrong:
        definition.pop("wide", None)  # how the tables are to be read is not known
    return definition, problems + wrong


def _names_at_the_top(values: dict[str, Any], lines: Lines) -> list[dict[str, Any]]:
    problems = []
    for section in REQUIRED_SECTIONS:
        if not values.get(section):
            header = f"[[{section}]]" if section in LISTS else f"[{section}]"
            keys = ", ".join(key.key for key in section_keys(section).values() if key.required)
            at = place(lines, section, 0, "")
            remedy = f"Add {header} with {keys}"
            problems.append(problem(**at, found="no entry", expected="at least one entry", remedy=remedy))
    return problems


def _entries(value: Any, section: str, lines: Lines) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The checked entries of a section (one, for a section that is written once)."""
    as_list = [value] if section in SINGLE else value
    if not isinstance(as_list, list) or not all(isinstance(entry, dict) for entry in as_list):
        expected = f"[[{section}]] before each entry" if section in LISTS else f"one [{section}]"
        at = place(lines, section, 0, "")
        return [], [
            problem(**at, found=shown(value), expected=expected, remedy="Correct the brackets and the keys")
        ]
    rows, problems = [], []
    for number, entry in enumerate(as_list):
        row, wrong = _entry(entry, section, number, lines)
        rows.append(row)
        problems += wrong
    return rows, problems


def _entry(
    entry: dict[str, Any], section: str, number: int, lines: Lines
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The right values of one entry, and a problem for every other key."""
    keys = section_keys(section)
    problems, right = [], {}
    if section not in SINGLE or entry:
        for name in (key.key for key in keys.values() if key.required and key.key not in entry):
            misspelt = [other for other in entry if other not in keys and nearest_name(other, keys) == name]
            remedy = f"Rename {shown(misspelt[0])!r}" if misspelt else "Add the key"
            expected = f"{name} = …: {keys[name].meaning}"
            at = place(lines, section, number, name)
            problems.append(problem(**at, found="no such key", expected=expected, remedy=remedy))
    for name, value in entry.items():
        at = place(lines, section, number, name)
        if name not in keys:
            at["column"] = shown(at["column"])
            known = (*keys, *(() if section else SECTIONS))
            meant_name = nearest_name(name, known)
            remedy = f"Rename it to {meant_name!r}, or remove it" if meant_name else "Remove it"
            found = f"unknown key {shown(name)}"
            problems.append(
                problem(**at, found=found, expected=f"one of {alternatives(known)}", remedy=remedy)
            )
        elif _is_right(value, keys[name]):
            right[name] = _stored(value, keys[name])
        else:
            problems.append(
                problem(
                    **at,
                    found=_found(value),
                    expected=f"{_expected(keys[name])} ({keys[name].meaning})",
                    remedy="Correct the value",
                )
            )
    return right, problems


def _found(value: Any) -> Any:
    """The value as a message shows it; a number as it is, unless it is very long."""
    is_long = isinstance(value, int) and abs(value) >= _TOO_LARGE
    return shown(value) if is_long or isinstance(value, str | list | dict) else value


def _stored(value: Any, key: Key) -> Any:
    """The value as the definition keeps it: a day as a time stamp, a list as a tuple nobody can change."""
    if key.kind == "date":
        return pd.Timestamp(value).as_unit("us")
    return tuple(value) if key.kind in ("ids", "texts") else value


def _is_right(value: Any, key: Key) -> bool:
    if key.kind == "ids":
        is_list = isinstance(value, list) and all(_is_id(one) for one in value)
        return is_list and len(set(value)) == len(value)
    if key.kind == "texts":
        return isinstance(value, list) and all(_is_text(one) for one in value)
    if key.kind == "pairs":
        return is_pairs(value)
    if key.kind in ("id", "text", "choice"):
        if not isinstance(value, str):
            return False
        if key.kind == "choice":
            return value in key.allowed
        if key.kind == "id":
            return _is_id(value)
        return _is_text(value)
    if key.kind == "flag":
        return isinstance(value, bool)
    if key.kind == "date":
        is_day = isinstance(value, datetime.date) and not isinstance(value, datetime.datetime)
        return is_day and EARLIEST.date() <= value <= LATEST.date()
    number = int if key.kind == "integer" else int | float
    if not isinstance(value, number) or isinstance(value, bool):
        return False
    # Neither nan nor infinity is below it.
    return abs(value) < _TOO_LARGE and (not key.allowed or key.allowed[0] <= value <= key.allowed[1])


def _is_id(value: Any) -> bool:
    return isinstance(value, str) and re.fullmatch(ID_PATTERN, value) is not None


def _is_text(value: Any) -> bool:
    if not isinstance(value, str) or value != value.strip():
        return False
    return 0 < len(value) <= _LONGEST_TEXT and value.isprintable()


def _expected(key: Key) -> str:
    span = f" from {key.allowed[0]} to {key.allowed[1]}" if key.kind != "choice" and key.allowed else ""
    return {
        "id": "an id: letters (a-z), digits and _ - . in quotation marks",
        "ids": 'a list of ids, each once, such as ["radiograph"], or [] for none',
        "texts": 'a list of texts, such as ["Notes"]',
        "pairs": 'text = text in braces, such as { instrument = "oxford_hip_score" }',
        "text": f"a text of 1 to {_LONGEST_TEXT} letters in one line, in quotation marks",
        "integer": f"a whole number{span} without quotation marks",
        "number": f"a number{span} without quotation marks",
        "date": "a date such as 2031-06-30 without quotation marks",
        "flag": "true or false without quotation marks",
        "choice": alternatives(key.allowed),
    }[key.kind]


def _table(entries: list[dict[str, Any]], section: str) -> pd.DataFrame:
    columns = {}
    for name, key in section_keys(section).items():
        usual: Any = {"flag": False, "number": math.nan, "text": ""}.get(key.kind)
        values = [entry.get(name, usual) for entry in entries]
        columns[name] = pd.Series(values, dtype=_DTYPES.get(key.kind, "str"))
    return pd.DataFrame(columns)
