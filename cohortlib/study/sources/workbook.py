"""A workbook with a sheet a table → text cells, as if each sheet were a CSV file; no formula is run."""

from __future__ import annotations

import io
import warnings
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import openpyxl
import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.files import file_bytes
from cohortlib.study.grouping import shown
from cohortlib.study.names import alternatives, nearest_name
from cohortlib.study.sources.places import Piece
from cohortlib.study.sources.sheet_cells import sheet_cells
from cohortlib.study.sources.sheet_forms import form_problems
from cohortlib.study.sources.workbook_archive import archive_problems
from cohortlib.tables import Column


class Workbook(NamedTuple):
    """The sheets of a workbook by the name of the table or source they hold.

    Attributes
    ----------
    file
        Path below the study folder.
    names
        Source → its sheet.
    sheets
        Source → text cells, index = row; only those that could be read.
    forms
        Source → for each cell its form, see `sheet_cells`.
    problems
        Source → what is wrong with the sheet.
    present
        Names of all sheets.
    """

    file: str
    names: Mapping[str, str]
    sheets: dict[str, pd.DataFrame | None]
    forms: dict[str, pd.DataFrame]
    problems: dict[str, list[dict[str, Any]]]
    present: tuple[str, ...]

    def place(self, source: str) -> str:
        """A sheet as the person knows it."""
        return f"{self.file}, sheet {self.names[source]!r},"

    def missing(self, source: str) -> dict[str, Any]:
        """The problem of a table without a sheet."""
        name = self.names[source]
        near = nearest_name(name, self.present)
        return problem(
            file=self.file,
            found=f"no sheet {name!r}",
            expected=f"a sheet for the table {source}, among {alternatives(self.present)}",
            remedy="Rename the sheet, or name it in study.toml [sheets]"
            + (f" (did you mean {near!r}?)" if near else ""),
        )

    def checked(
        self, source: str, cells: pd.DataFrame, kinds: Mapping[str, Column], piece: Piece, *, decimal: str
    ) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
        """The cells without those that a spreadsheet changed into something else, which are reported."""
        return form_problems(cells, self.forms[source], kinds, piece, decimal=decimal)


def read_workbook(
    root: Path, file: str, *, sheets: Mapping[str, str], others: Collection[str]
) -> tuple[Workbook | None, list[dict[str, Any]]]:
    """The sheets of a workbook of the study folder.

    Parameters
    ----------
    root, file
        The study folder and the path of the workbook below it.
    sheets
        Table or source → name of its sheet.
    others
        Sheets that hold no table.

    Returns
    -------
    workbook : Workbook or None
        None if it cannot be opened.
    problems : list
        Of the workbook as a whole; those of a sheet stand in `workbook.problems`.
    """
    data, problems = file_bytes(root, file)
    if data is None:
        return None, problems
    problems = archive_problems(data, file=file)
    if problems:
        return None, problems
    try:
        with warnings.catch_warnings(record=True):  # what the spreadsheet's own parts look like
            warnings.simplefilter("always")
            return _read(data, file, sheets, others)
    except Exception as error:  # a foreign reader over foreign bytes may stumble over anything
        found = f"a workbook that cannot be read ({type(error).__name__}: {shown(str(error))})"
        remedy = "Open the file in the spreadsheet program and save it as .xlsx"
        return None, [problem(file=file, found=found, expected="an .xlsx workbook", remedy=remedy)]


def _read(
    data: bytes, file: str, sheets: Mapping[str, str], others: Collection[str]
) -> tuple[Workbook, list[dict[str, Any]]]:
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    present = {sheet.title: sheet for sheet in book.worksheets}
    workbook = Workbook(file, sheets, {}, {}, {}, tuple(present))
    for source, name in sheets.items():
        if name in present:
            read = sheet_cells(present[name], file=workbook.place(source))
            workbook.sheets[source], workbook.forms[source] = read.cells, read.forms
            workbook.problems[source] = read.problems
            if present[name].sheet_state != "visible":
                hidden = problem(
                    file=file,
                    found=f"sheet {shown(name)!r}, which is hidden",
                    expected="tables that are seen when the file is opened",
                    remedy="Show the sheet and look at it, or give it a name that is listed as other_sheets",
                )
                workbook.problems[source] = [hidden, *read.problems]
    return workbook, list(_unknown_sheets(workbook, others))


def _unknown_sheets(workbook: Workbook, others: Collection[str]) -> Iterator[dict[str, Any]]:
    known = list(workbook.names.values())
    for name in workbook.present:
        if name not in known and name not in others:
            near = nearest_name(name, known)
            yield problem(
                file=workbook.file,
                found=f"sheet {shown(name)!r}",
                expected=f"sheets named {alternatives(known)}",
                remedy="Rename the sheet, name it in study.toml [sheets], or list it there as "
                f"other_sheets under [files]{f' (did you mean {near!r}?)' if near else ''}",
            )
    for name in others:
        if name not in workbook.present:
            yield problem(
                file=workbook.file,
                found=f"no sheet {shown(name)!r}",
                expected="the sheet that other_sheets in study.toml [files] names",
                remedy="Correct the name there",
            )
