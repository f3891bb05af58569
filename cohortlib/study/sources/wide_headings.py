"""Headings of a wide form → what their columns hold, as study.toml says; nothing is guessed."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from typing import Any, NamedTuple

import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.definition_mappings import PLACEHOLDER
from cohortlib.study.grouping import shown
from cohortlib.tables import DICTIONARY

#: A line of a form may be long; what it becomes has a limit.
MOST_ROWS = 50_000_000


class Spread(NamedTuple):
    """Which headings of a wide form hold values, and of what: one row a heading.

    Attributes
    ----------
    columns
        Columns of values, such as ("answer",).
    named
        Columns that the headings name, such as ("item",).
    headings
        column, heading, and a column for each of `named` with the text in the heading.
    unclear
        Headings that fit a pattern in more than one way, as with month_12_3 and {visit_id}_{zone}.
    """

    columns: tuple[str, ...]
    named: tuple[str, ...]
    headings: pd.DataFrame
    unclear: tuple[str, ...]


def spread_headings(
    text: pd.DataFrame, entry: Mapping[Any, Any], spellings: Mapping[str, Mapping[str, str]]
) -> Spread:
    """The headings of a form that fit the patterns of one [[wide]] of study.toml.

    Parameters
    ----------
    text
        Columns as the file has them, or under the dictionary's names.
    entry
        table, and values: column of the table → pattern such as OHS_{item}.
    spellings
        Column → other spellings of its choices; a heading may name a choice by them.
    """
    named = tuple(PLACEHOLDER.findall(next(iter(entry["values"].values()))))
    columns = DICTIONARY[entry["table"]]
    # Of an id the shortest and the longest text that fits are compared: where they differ nothing is guessed.
    kinds: dict[str, tuple[str, str]] = {}
    for name in named:
        if columns[name].kind == "choice":
            choices = sorted([*columns[name].allowed, *spellings.get(name, ())], key=len, reverse=True)
            kinds[name] = ("|".join(map(re.escape, choices)),) * 2
        else:
            letters = "[0-9]" if columns[name].kind == "integer" else "[A-Za-z0-9_.-]"
            kinds[name] = f"{letters}+?", f"{letters}+"
    rows, unclear = [], []
    for column, pattern in entry["values"].items():
        shortest, longest = (_heading_pattern(pattern, kinds, end) for end in (0, 1))
        for heading in map(str, text):
            found = None if heading in columns else shortest.fullmatch(heading)
            if found:
                rows.append({"column": column, "heading": heading, **found.groupdict()})
                if longest.fullmatch(heading).groupdict() != found.groupdict():  # type: ignore[union-attr]
                    unclear.append(heading)
    headings = pd.DataFrame(rows, columns=["column", "heading", *named], dtype="object")
    return Spread(tuple(entry["values"]), named, headings, tuple(unclear))


def _heading_pattern(pattern: str, kinds: Mapping[str, tuple[str, str]], end: int) -> re.Pattern[str]:
    parts = re.split(PLACEHOLDER, pattern)  # text and names by turns
    return re.compile(
        "".join(
            f"(?P<{part}>{kinds[part][end]})" if number % 2 else re.escape(part)
            for number, part in enumerate(parts)
        )
    )


def spread_problems(
    text: pd.DataFrame, spread: Spread, entry: Mapping[Any, Any], others: Collection[str], file: str
) -> list[dict[str, Any]]:
    """Patterns that no heading fits, headings that mean two things, and forms beyond all measure.

    Parameters
    ----------
    others
        Headings that another [[wide]] of the same file takes.
    """
    problems = []
    headings = spread.headings["heading"]
    twice = headings[spread.headings.duplicated(["column", *spread.named])]
    for wrong, found, expected, remedy in (
        (
            [name for name in entry["values"] if name not in set(spread.headings["column"])],
            "no such column",
            "headings such as {}",
            "Correct the pattern in study.toml [[wide]]",
        ),
        (
            spread.unclear,
            "a heading that fits in two ways",
            "a heading that can be taken apart in one way only",
            "Rename the headings so that what stands between two names is in none of them",
        ),
        (
            twice,
            "a second column of the same item",
            "one column an item",
            "Correct the heading, or leave the column out",
        ),
        (
            headings[headings.duplicated() | headings.isin(others)].drop_duplicates(),
            "a heading that fits two patterns",
            "a heading for each value",
            "Correct the patterns in study.toml [[wide]], or the heading",
        ),
    ):
        problems += [
            problem(
                file=file,
                line=1,
                column=shown(name),
                found=found,
                expected=expected.format(entry["values"].get(name)),
                remedy=remedy,
            )
            for name in wrong
        ]
    if len(text) * len(spread.headings) > MOST_ROWS:
        found = f"{len(text)} lines with {len(spread.headings)} columns of values"
        expected, remedy = f"at most {MOST_ROWS} values", "Split the form into several files"
        problems.append(problem(file=file, found=found, expected=expected, remedy=remedy))
    return problems
