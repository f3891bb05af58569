"""The files and sheets that tables come from: each read once, however many tables it holds."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.files import file_bytes
from cohortlib.study.grouping import file_name
from cohortlib.study.sources.csv_file import text_table
from cohortlib.study.sources.workbook import Workbook, read_workbook
from cohortlib.tables import DICTIONARY


class Source(NamedTuple):
    """Cells of one file or sheet as they are, None if there are none, and what is wrong with it."""

    cells: pd.DataFrame | None
    file: str
    problems: list[dict[str, Any]]


def source_names(definition: Mapping[str, Any]) -> list[str]:
    """Names of all files of tables/, or sheets, that may hold a table."""
    return list(dict.fromkeys([*DICTIONARY, *definition["wide"]["source"]]))


class Sources:
    """The files and sheets of a study.

    Attributes
    ----------
    workbook
        The workbook that study.toml names, or None if there is none or it cannot be read.
    unread
        Whether there is one that cannot be read: which tables there are is then not known.
    problems
        Of the workbook as a whole.
    """

    def __init__(self, root: Path, definition: Mapping[str, Any]) -> None:
        self.root, self.how = root, definition["files"]
        self.workbook: Workbook | None = None
        self.problems: list[dict[str, Any]] = []
        self._read: dict[str, Source] = {}
        if "workbook" in self.how:
            sheets = {name: definition["sheets"].get(name, name) for name in source_names(definition)}
            self.workbook, self.problems = read_workbook(
                root, self.how["workbook"], sheets=sheets, others=self.how.get("other_sheets", ())
            )
        self.unread = "workbook" in self.how and self.workbook is None

    def has(self, name: str) -> bool:
        """Whether there is a sheet or a file of the name."""
        return self.sheet_of(name) is not None or os.path.lexists(self.root / file_name(name))

    def sheet_of(self, name: str) -> Workbook | None:
        """The workbook, if it has the sheet."""
        return self.workbook if self.workbook is not None and name in self.workbook.sheets else None

    def read(self, name: str) -> Source:
        """The cells of a file or sheet."""
        if name not in self._read:
            self._read[name] = self._first(name)
        return self._read[name]

    def _first(self, name: str) -> Source:
        file, workbook = file_name(name), self.sheet_of(name)
        is_file = os.path.lexists(self.root / file)
        if workbook is not None:
            place = workbook.place(name)
            if not is_file:
                return Source(workbook.sheets[name], place, workbook.problems[name])
            remedy = "Keep the one that counts: delete the file, or rename the sheet and list it as another"
            found = f"{file} and {place}"
            twice = problem(file=place, found=found, expected="one place for a table", remedy=remedy)
            return Source(None, place, [twice])
        if not is_file and self.workbook is not None:
            return Source(None, self.workbook.place(name), [self.workbook.missing(name)])
        if not is_file and self.unread:
            return Source(None, self.how["workbook"], [])  # why, was said of the whole workbook
        data, problems = file_bytes(self.root, file)
        if data is None:
            return Source(None, file, problems)
        cells, problems = text_table(
            data, file=file, encoding=self.how["encoding"], separator=self.how["separator"]
        )
        return Source(cells, file, problems)
