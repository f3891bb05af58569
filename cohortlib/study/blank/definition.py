"""An empty study.toml: every key explained, what a study must choose left blank, the rest as examples."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping

from cohortlib.study.blank.sections import SECTIONS, Section
from cohortlib.study.definition_keys import LISTS, Key, section_keys

#: What a blank looks like; a check lists each until something stands there.
BLANK = '""'
_WIDTH = 105
_EXAMPLES = {
    "id": '"name"',
    "ids": '["name"]',
    "text": '"words"',
    "texts": '["words"]',
    "pairs": '{ one = "other" }',
    "integer": "1",
    "number": "1.0",
    "date": "2031-06-30",
    "flag": "true",
}
_HEAD = (
    "The definition of a study. Words after a # are a comment.",
    'FILL IN every "" : texts and names in their quotation marks, whole numbers without any '
    "(due_days = 365). A short name has letters a-z, digits and _ - . only.",
    "Lines that begin with # and no space are examples, no advice: take the # away and change them, or "
    "leave them.",
    "What is wrong or still blank is listed by:  python -m cohortlib check FOLDER",
    "What the columns of the tables mean stands in dictionary.html.",
)


def blank_definition(*, title: str) -> str:
    """The text of study.toml.

    Parameters
    ----------
    title
        Of the study; "" is left blank. It must fit in one line.
    """
    given = {("", "title"): json.dumps(title, ensure_ascii=False)} if title else {}
    lines = [line for text in _HEAD for line in _comment(text)]
    for section in SECTIONS:
        lines += ["", "", *_section(section, given)]
    return "\n".join(lines) + "\n"


def _section(section: Section, given: Mapping[tuple[str, str], str]) -> Iterator[str]:
    for text in section.why:
        yield from _comment(text)
    for entry in range(section.entries):
        if entry:
            yield ""
        if section.name:
            header = f"[[{section.name}]]" if section.name in LISTS else f"[{section.name}]"
            yield header if section.blanks else f"#{header}"
        keys = section_keys(section.name)
        for key in keys.values():
            yield from _key_line(section, key, given.get((key.section, key.key), BLANK))
        for name, value in section.examples.items():
            if name not in keys:
                yield f"#{name} = {value}"


def _key_line(section: Section, key: Key, value: str) -> Iterator[str]:
    used = key.key in section.blanks
    example = section.examples.get(key.key) or _EXAMPLES.get(key.kind) or json.dumps(key.allowed[0])
    line = f"{key.key} = {value}" if used else f"#{key.key} = {example}"
    meaning = ("FILL IN: " if used and value == BLANK else "") + key.meaning + _allowed(key)
    if not key.required and not used:
        meaning += "; may be left out"
    if len(line) > 34 or len(meaning) + 38 > _WIDTH:
        yield from _comment(meaning)
        yield line
    else:
        yield f"{line:<36}# {meaning}"


def _allowed(key: Key) -> str:
    if key.kind == "choice" and len(key.allowed) <= 4:
        return ": " + " or ".join(json.dumps(choice) for choice in key.allowed)
    if key.kind in ("integer", "number") and key.allowed:
        return f" ({key.allowed[0]} to {key.allowed[1]})"
    return ""


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)
