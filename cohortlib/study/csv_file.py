"""Bytes of a CSV file → a frame of text cells, with its lines; nothing repaired, nothing guessed."""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import problem
from cohortlib.study.csv_encoding import SAVE_AS_UTF8, is_utf8, utf8_text
from cohortlib.study.csv_records import Records, csv_records
from cohortlib.study.grouping import grouped_problems, shown

#: Limits against files that only look like tables: columns, and letters in a cell (a spreadsheet's own).
MOST_COLUMNS = 200
LONGEST_CELL = 32_767


def text_table(
    data: bytes, *, file: str, encoding: str, separator: str
) -> tuple[pd.DataFrame | None, list[dict[str, Any]]]:
    """The cells of a CSV file as text, and the problems of the file as a whole.

    Parameters
    ----------
    data
        The file as it is.
    file
        Its name in messages.
    encoding, separator
        As declared under [files] in study.toml.

    Returns
    -------
    table : DataFrame or None
        Categorical columns of text named as the header has them; the index is the line a spreadsheet
        shows (a quoted line break counts as none). Empty cells are "", cells with a reported problem
        are missing, lines with a reported problem are left out. None if nothing can be read.
    problems : list
        If it is not empty the table is not the whole truth.
    """
    data, problems = utf8_text(data, file=file, encoding=encoding)
    if problems:
        return None, problems
    data = data.rstrip(b"\r\n")
    if not data.strip():
        return None, [_whole_file(file, "an empty file", "a header line with the names of the columns")]
    records = csv_records(data, separator=separator)
    if records.stray_quote is not None:
        return None, [_stray_quote(data, records, file)]
    header, problems = _header(data[: records.end[0]], file=file, separator=separator)
    if problems and not header:
        return None, problems
    kept, line_problems = _lines(data, records, file=file, separator=separator)
    problems += line_problems
    if not kept.all():
        pieces = zip(records.start[kept], records.end[kept], strict=True)
        data = b"".join(data[start:end] for start, end in pieces)
    try:
        cells = pd.read_csv(
            io.BytesIO(data),
            sep=separator,
            header=None,
            dtype="category",
            keep_default_na=False,
            na_values=[],
            skip_blank_lines=False,
            encoding="utf-8",
            encoding_errors="surrogateescape",
            low_memory=False,
        ).iloc[1:]
    except pd.errors.ParserError as error:
        return None, [*problems, _whole_file(file, str(error).strip(), "a CSV file (RFC 4180)")]
    cells.index = pd.Index(np.flatnonzero(kept)[1:] + 1, name="line")
    # A header with a name twice is reported; the first of the columns goes on.
    first = [header.index(name) for name in dict.fromkeys(header) if name]
    table = pd.DataFrame(
        {header[place]: cells[place].cat.remove_unused_categories() for place in first}, index=cells.index
    )
    if not is_utf8(data) or (records.end - records.start).max() > LONGEST_CELL:
        table = _without_wrong_cells(table, file, problems)
    return table, problems


def _whole_file(file: str, found: str, expected: str, remedy: str = "") -> dict[str, Any]:
    remedy = remedy or "Export the table again as CSV"
    return problem(file=file, line=1, found=found, expected=expected, remedy=remedy)


def _stray_quote(data: bytes, records: Records, file: str) -> dict[str, Any]:
    place = records.stray_quote or 0
    around = data[max(place - 15, 0) : place + 15].decode("utf-8", "replace")
    return problem(
        file=file,
        line=records.line(place),
        found=around,
        expected="quotation marks only around a whole cell, in pairs",
        remedy="Remove the mark, or write the cell in quotation marks and each mark within it twice",
    )


def _header(data: bytes, *, file: str, separator: str) -> tuple[list[str], list[dict[str, Any]]]:
    """Names of the columns; no names if the first line cannot be a header."""
    text = data.decode("utf-8", "surrogateescape").rstrip("\r\n")
    if separator not in text:
        for other, name in ((";", "semicolons"), ("\t", "tabs"), (",", "commas")):
            if other in text and other != separator:
                decimal = "" if other == "," else ' and decimal = "," if numbers have a decimal comma'
                declared = other.replace("\t", "\\t")
                remedy = f'Write separator = "{declared}"{decimal} under [files] in study.toml'
                return [], [_whole_file(file, f"{name} between the fields", f"{separator!r}", remedy)]
    if len(text) > LONGEST_CELL or text.count(separator) >= MOST_COLUMNS:
        return [], [_whole_file(file, shown(text), f"a header of at most {MOST_COLUMNS} names")]
    header = next(csv.reader(io.StringIO(text, newline=""), delimiter=separator), [])
    if not any(header):
        return [], [_whole_file(file, "an empty line", "a header line with the names of the columns")]
    names = pd.Series(header, dtype="str")
    wrong = names[names.duplicated() | (names == "")].drop_duplicates()
    remedy = "Rename or delete the column"
    problems = [_whole_file(file, shown(name), "one name a column, each once", remedy) for name in wrong]
    return header, problems


def _lines(
    data: bytes, records: Records, *, file: str, separator: str
) -> tuple[NDArray[np.bool_], list[dict[str, Any]]]:
    """Which records have a value and as many fields as the header, and a problem for the others."""
    width = int(records.fields[0])
    # A spreadsheet writes bare separators for a row that was once touched. Such a record is this short:
    short = np.flatnonzero(records.end - records.start <= records.fields + 1)
    edge = separator.encode() + b"\r\n "
    empty = np.zeros(len(records.fields), dtype=bool)
    empty[short] = [not data[records.start[row] : records.end[row]].strip(edge) for row in short]
    wrong = ~empty & (records.fields != width)
    problems = grouped_problems(
        pd.Series("an empty line", index=np.flatnonzero(empty) + 1, dtype="str"),
        file=file,
        column="",
        expected="a row with values",
        remedy="Delete the line",
    )
    number = pd.Series(records.fields[wrong], index=np.flatnonzero(wrong) + 1).astype("str")
    problems += grouped_problems(
        number + " fields",
        file=file,
        column="",
        expected=f"{width} fields, as in the header",
        remedy=f"Give the line {width} fields; a text that holds {separator!r} stands in quotation marks",
    )
    return ~empty & ~wrong, problems


def _without_wrong_cells(table: pd.DataFrame, file: str, problems: list[dict[str, Any]]) -> pd.DataFrame:
    """Cells that are text of a usable length; the others are reported and set to missing."""
    for name in table:
        texts = pd.Series(table[name].cat.categories, dtype="str")
        no_text = texts.str.contains("[\udc80-\udcff]")
        long = ~no_text & (texts.str.len() > LONGEST_CELL)
        too_long = f"at most {LONGEST_CELL} letters in a cell"
        for wrong, expected, remedy in (
            (no_text, "UTF-8 text", SAVE_AS_UTF8),
            (long, too_long, "Correct the cell; a quotation mark may be missing"),
        ):
            bad = table[name].isin(texts[wrong])
            problems += grouped_problems(
                table[name][bad], file=file, column=shown(name), expected=expected, remedy=remedy
            )
            table[name] = table[name].where(~bad)
    return table
