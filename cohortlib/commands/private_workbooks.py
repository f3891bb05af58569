"""Workbooks that name or number a person: every sheet as a table, hidden ones too; no formula is run."""

from __future__ import annotations

import datetime
import warnings
from collections.abc import Iterator, Mapping
from io import BytesIO
from typing import Any

import openpyxl

from cohortlib.commands.private_tables import rows_problems
from cohortlib.errors import problem
from cohortlib.study.sources.workbook_archive import archive_problems

_ENDINGS = (".xlsx", ".xlsm")


def is_workbook(path: str) -> bool:
    """Whether a file is a workbook by its name."""
    return path.lower().endswith(_ENDINGS)


def workbook_problems(
    data: bytes, *, name: str, in_study: bool, born: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Problems of a workbook that identifies somebody, as `table_problems` finds them in a table."""
    try:
        if archive_problems(data, file=name):
            raise ValueError
        with warnings.catch_warnings(record=True):  # of what the spreadsheet's own parts look like
            warnings.simplefilter("always")
            return [
                row | {"column": f"{sheet}: {row['column']}"}
                for sheet, rows in _sheets(data)
                for row in rows_problems(rows, name=name, in_study=in_study, born=born)
            ]
    except Exception:  # a foreign reader over foreign bytes may stumble over anything
        return [
            problem(
                file=name, found="a workbook that cannot be looked into", expected="tables to be checked",
                remedy="Keep it out of what is shared, or save it again as .xlsx without a password",
            )
        ]  # fmt: skip


def _sheets(data: bytes) -> Iterator[tuple[str, list[list[str]]]]:
    """The name of each sheet and its rows as texts, from the first that is not empty."""
    workbook = openpyxl.load_workbook(BytesIO(data), read_only=True, data_only=True, keep_links=False)
    try:
        for sheet in workbook.worksheets:
            rows = [[_text(cell) for cell in row] for row in sheet.iter_rows(values_only=True)]
            while rows and not any(rows[0]):
                rows.pop(0)
            shown = "".join(letter if letter.isprintable() else "?" for letter in sheet.title[:60])
            yield shown, rows
    finally:
        workbook.close()


def _text(cell: object) -> str:
    if isinstance(cell, datetime.datetime):
        return f"{cell:%Y-%m-%d}"
    return "" if cell is None else str(cell)
