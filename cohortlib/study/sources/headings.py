"""Headings of an export → columns of the dictionary, and what is missing or unknown among them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, NamedTuple

import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.grouping import shown
from cohortlib.study.names import alternatives, nearest_name
from cohortlib.tables import Column

#: How a study's own column begins; it is read as text and left alone.
OWN_PREFIX = "x_"


class Named(NamedTuple):
    """Cells under the dictionary's names, the heading of each where it is another, and what is wrong."""

    cells: pd.DataFrame
    headings: dict[str, str]
    problems: list[dict[str, Any]]


def named_columns(text: pd.DataFrame, mapping: Mapping[str, str], *, file: str, source: str) -> Named:
    """The columns of an export under the names that [columns.<source>] of study.toml gives them.

    Parameters
    ----------
    text
        Columns as the file has them.
    mapping
        Heading → column of the dictionary, or "" for a column that is left out.
    file, source
        The file in messages, and the name under which study.toml speaks of it.
    """
    problems = []
    where = f"study.toml [columns.{source}]"
    for heading in mapping:
        if heading not in text:
            near = nearest_name(heading, map(str, text))
            problems.append(
                problem(
                    file=file,
                    line=1,
                    column=shown(heading),
                    found="no such column",
                    expected=f"the column that {where} names",
                    remedy=f"Correct the heading there{f' (did you mean {shown(near)!r}?)' if near else ''}",
                )
            )
    left_out = [heading for heading in text if mapping.get(str(heading)) == ""]
    cells = text.drop(columns=left_out)
    headings = {mapping[str(heading)]: str(heading) for heading in cells if str(heading) in mapping}
    for name, heading in list(headings.items()):
        if name in cells and name != heading and name not in mapping:
            remedy = f"Name only one of them in {where}, and leave the other out"
            found = f"{shown(heading)} and {name}"
            problems.append(
                problem(file=file, line=1, column=name, found=found, expected="one column", remedy=remedy)
            )
            cells, _ = cells.drop(columns=heading), headings.pop(name)
    return Named(
        cells.rename(columns={heading: name for name, heading in headings.items()}), headings, problems
    )


def heading_problems(
    present: Collection[str],
    columns: Mapping[str, Column],
    *,
    file: str,
    source: str,
    said: Collection[str] = (),
) -> list[dict[str, Any]]:
    """Columns that are missing, and headings that the dictionary does not know.

    Parameters
    ----------
    present
        Columns under the dictionary's names.
    columns
        The table's part of the data dictionary.
    said
        Columns whose values stand in study.toml instead, and headings that are known otherwise.
    """
    missing = [
        name
        for name, column in columns.items()
        if column.required and name not in present and name not in said
    ]
    unknown = [
        name
        for name in map(str, present)
        if name not in columns and name not in said and not name.startswith(OWN_PREFIX)
    ]
    problems = []
    for name in missing:
        # The other half of a misspelt name stands among the unknown ones, and says what to rename.
        misspelt = [other for other in unknown if nearest_name(other, columns) == name]
        remedy = f"Rename column {shown(misspelt[0])!r}" if misspelt else "Add the column"
        remedy += f", or name the heading it has in study.toml [columns.{source}]"
        expected = f"a column {name!r}: {columns[name].meaning}"
        problems.append(
            problem(file=file, line=1, column=name, found="no such column", expected=expected, remedy=remedy)
        )
    for name in unknown:
        near = nearest_name(name, columns)
        other = f"Rename it to {near!r}" if near and near not in present else "Delete it"
        problems.append(
            problem(
                file=file,
                line=1,
                column=shown(name),
                found=f"unknown column {shown(name)}",
                expected="one of " + alternatives(columns),
                remedy=f"{other}, say in study.toml [columns.{source}] what it is or that it is left out "
                f'(= ""), or begin the name of a column of your own with {OWN_PREFIX!r}',
            )
        )
    return problems
