"""Bytes of study.toml → its values and the line of each key, or the reason why not."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from typing import Any

from cohortlib.errors import problem
from cohortlib.study.definition_keys import LISTS
from cohortlib.study.grouping import shown

FILE = "study.toml"

_HEADER = re.compile(r"\s*(\[\[?)\s*([\w.\"-]+)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"""\s*(?:([\w-]+)|"([^"\\]*)"|'([^']*)')\s*=""")
_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")

#: (section, entry, key) → line; the entry counts from 0, the key "" is the section's own line.
Lines = dict[tuple[str, int, str], int]


def place(lines: Lines, section: str, entry: int, key: str) -> dict[str, Any]:
    """Where a key stands (or its section, if the key is missing), as `problem` takes it."""
    own_section = (key, 0, "") if not section else (section, entry, "")
    line = lines.get((section, entry, key), lines.get(own_section))
    brackets = f"[[{section}]]" if section in LISTS else f"[{section}]"
    column = f"{brackets} {key}".strip() if section else key
    return {"file": FILE, "line": line, "column": column}


def toml_values(data: bytes) -> tuple[dict[str, Any], Lines, list[dict[str, Any]]]:
    """The values, the lines of their keys, and at most one problem (then there are no values)."""
    data = data.removeprefix(b"\xef\xbb\xbf")
    text, found, line = "", "", None
    try:
        text = data.decode("utf-8")
        values = tomllib.loads(text)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        found = f"byte {data[error.start]:#04x}, which is no UTF-8 text"
    except RecursionError:
        found = "brackets nested too deep"
    except ValueError as error:  # a TOMLDecodeError, or a number too long to convert
        place = _AT_LINE.search(str(error))
        line = int(place.group(1)) if place else None
        found = shown(_AT_LINE.sub("", str(error)).strip())
    if found:
        remedy = "Correct the line; text stands in quotation marks, and the file is saved as UTF-8"
        return {}, {}, [problem(file=FILE, line=line, found=found, expected="a TOML file", remedy=remedy)]
    return values, _lines(text), []


def _lines(text: str) -> Lines:
    lines: Lines = {}
    entries: Counter[str] = Counter()
    section, entry = "", 0
    for number, line in enumerate(text.split("\n"), start=1):
        if header := _HEADER.fullmatch(line.rstrip("\r")):
            section = header.group(2).replace('"', "")
            entry = entries[section] if header.group(1) == "[[" else 0
            entries[section] += 1
            lines[section, entry, ""] = number
        elif key := _KEY.match(line):
            lines.setdefault(
                (section, entry, next(name for name in key.groups() if name is not None)), number
            )
    return lines
