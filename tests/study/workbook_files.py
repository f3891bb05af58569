"""Workbooks as hospitals send them: the small study a sheet a table, and the same with a part exchanged."""

from __future__ import annotations

import csv
import datetime
import io
import re
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import openpyxl
from small_study_files import SMALL_STUDY, small_study_text

from cohortlib.tables import DICTIONARY

#: The tables of the small study.
TABLES = tuple(name.removeprefix("tables/").removesuffix(".csv") for name in SMALL_STUDY if "/" in name)


def cell(text: str, kind: str) -> Any:
    """A cell as a person who types the text gets it: ids and words as text, the rest as a number or a day."""
    if not text:
        return None
    if kind in ("integer", "number"):
        return float(text) if "." in text else int(text)
    return datetime.date.fromisoformat(text) if kind == "date" else text


def small_sheets() -> dict[str, list[list[Any]]]:
    """Sheet → rows of cells, the headings first."""
    sheets = {}
    for table in TABLES:
        header, *rows = csv.reader(io.StringIO(small_study_text(f"tables/{table}.csv")))
        kinds = [DICTIONARY[table][name].kind for name in header]
        typed = [[cell(text, kind) for text, kind in zip(row, kinds, strict=True)] for row in rows]
        sheets[table] = [header, *typed]
    return sheets


def workbook_bytes(
    sheets: Mapping[str, list[list[Any]]],
    *,
    change: Callable[[openpyxl.Workbook], object] = lambda book: None,
) -> bytes:
    """An .xlsx file with the sheets, changed as a person would before saving."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    change(book)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def with_parts(
    workbook: bytes, change: Mapping[str, bytes | Callable[[bytes], bytes]], *, more: Mapping[str, bytes] = {}
) -> bytes:
    """A workbook of which some parts have another content, and with more parts."""
    file = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook)) as old,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            content = old.read(name)
            if name in change:
                other = change[name]
                content = other(content) if callable(other) else other
            new.writestr(name, content)
        for name, content in more.items():
            new.writestr(name, content)
    return file.getvalue()


def with_formula(
    table: str, place: str, formula: str, value: str | None, *, kind: str = ""
) -> dict[str, Any]:
    """The part of a sheet in which a cell is a formula and the value it had when the file was saved."""
    part = f"xl/worksheets/sheet{TABLES.index(table) + 1}.xml"
    shown = f"<f>{formula}</f>" + ("" if value is None else f"<v>{value}</v>")
    kind = f' t="{kind}"' if kind else ""

    def change(content: bytes) -> bytes:
        pattern = rf'<c r="{place}"( s="\d+")?[^>]*?(/>|>.*?</c>)'
        changed, count = re.subn(pattern, rf'<c r="{place}"\1{kind}>{shown}</c>', content.decode())
        assert count == 1
        return changed.encode()

    return {part: change}


def workbook_study(folder: Path, workbook: bytes, *, more: str = "") -> Path:
    """The small study with its tables in a workbook instead of CSV files."""
    for path in (folder / "tables").iterdir():
        path.unlink()
    (folder / "tables.xlsx").write_bytes(workbook)
    declare(folder, f'[files]\nworkbook = "tables.xlsx"\n{more}')
    return folder


def declare(folder: Path, text: str) -> None:
    """Add sections to study.toml."""
    path = folder / "study.toml"
    path.write_text(path.read_text(encoding="utf-8") + "\n" + text, encoding="utf-8")
