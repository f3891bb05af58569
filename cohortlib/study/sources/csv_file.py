"""Bytes of a CSV file → a frame of text cells, with its lines; nothing repaired, nothing guessed."""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import problem
from cohortlib.study.grouping import grouped_problems, shown
from cohortlib.study.sources.csv_encoding import SAVE_AS_UTF8, utf8_text
from cohortlib.study.sources.csv_records import Records, csv_records, record_fields
from cohortlib.study.sources.distinct import distinct_fields

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
    end = _end(data)
    if end < LONGEST_CELL and not data[:end].strip():
        return None, [_whole_file(file, "an empty file", "a header line with the names of the columns")]
    whole = np.frombuffer(data, dtype=np.uint8)
    records = csv_records(data, end=end, separator=separator)
    if records.stray_quote is not None:
        return None, [_stray_quote(data, records, file)]
    header, problems = _header(data[: records.end[0]], file=file, separator=separator)
    if problems and not any(header):
        return None, problems
    kept, line_problems = _lines(data, records, file=file, separator=separator)
    problems += line_problems
    kept[0] = False  # the header
    fields = record_fields(whole[:end], records, kept, len(header))
    # A header with a name twice is reported; the first of the columns goes on.
    first = [header.index(name) for name in dict.fromkeys(header) if name]
    index = pd.Index(np.flatnonzero(kept) + 1, name="line")
    columns = {}
    distinct = distinct_fields(whole, fields, first)
    for place, (codes, contents) in zip(first, distinct, strict=True):
        cells, wrong = _cells(codes, contents, file, header[place], index)
        columns[header[place]] = cells
        problems += wrong
    return pd.DataFrame(columns, index=index, copy=False), problems


def _end(data: bytes) -> int:
    """Where the line breaks at the end of the file begin."""
    tail = data[-100:]
    if tail.strip(b"\r\n"):
        return len(data) - len(tail) + len(tail.rstrip(b"\r\n"))
    return len(data.rstrip(b"\r\n"))


def _whole_file(file: str, found: str, expected: str, remedy: str = "") -> dict[str, Any]:
    remedy = remedy or "Export the table again as CSV"
    return problem(file=file, line=1, found=found, expected=expected, remedy=remedy)


def _stray_quote(data: bytes, records: Records, file: str) -> dict[str, Any]:
    place = records.stray_quote or 0
    around = data[max(place - 15, 0) : place + 15].decode("utf-8", "replace")
    return problem(
        file=file,
        line=records.line(place),
        found=shown(around),
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
    return header, header_problems(header, file=file)


def header_problems(header: list[str], *, file: str) -> list[dict[str, Any]]:
    """Names of columns that are missing or stand twice, or a header that names none."""
    if not any(header):
        return [_whole_file(file, "an empty line", "a header line with the names of the columns")]
    if len(header) > MOST_COLUMNS:
        found = f"{len(header)} columns"
        return [_whole_file(file, found, f"a header of at most {MOST_COLUMNS} names")]
    names = pd.Series(header, dtype="str")
    wrong = names[names.duplicated() | (names == "")].drop_duplicates()
    remedy = "Rename or delete the column"
    return [_whole_file(file, shown(name), "one name a column, each once", remedy) for name in wrong]


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


def _cells(
    codes: NDArray[np.intp], contents: list[bytes], file: str, column: str, index: pd.Index
) -> tuple[pd.Series, list[dict[str, Any]]]:
    """One column as categorical text; cells that are no text of a usable length are missing and reported."""
    # A file has no NUL, so with one between them all texts are decoded at once.
    whole = b"\0".join(contents)
    quoted, ascii_only = b'"' in whole, whole.isascii()
    listed = _text(whole).split("\0") if contents else []
    if quoted:
        listed = [_unquoted(text) for text in listed]
    texts = np.empty(len(listed), dtype=object)
    texts[:] = listed
    no_text = np.array([not ascii_only and _is_no_text(text) for text in listed], dtype=bool)
    long = ~no_text & (np.fromiter(map(len, listed), dtype=np.int64, count=len(listed)) > LONGEST_CELL)
    problems: list[dict[str, Any]] = []
    too_long = f"at most {LONGEST_CELL} letters in a cell"
    for wrong, expected, remedy in (
        (no_text, "UTF-8 text", SAVE_AS_UTF8),
        (long, too_long, "Correct the cell; a quotation mark may be missing"),
    ):
        if wrong.any():
            rows = np.flatnonzero(wrong[codes])
            found = pd.Series(texts[codes[rows]], index=index[rows])
            problems += grouped_problems(
                found, file=file, column=shown(column), expected=expected, remedy=remedy
            )
    usable = ~(no_text | long)
    if quoted or not usable.all():
        # A cell in quotation marks and one without may hold the same; and a wrong one has no text.
        places, texts = pd.factorize(np.where(usable, texts, np.array(None)))
        codes = places[codes]
    cells = pd.Categorical.from_codes(codes, categories=pd.Index(texts, dtype="str"))
    return pd.Series(cells, index=index, copy=False), problems


def _unquoted(text: str) -> str:
    """The text of a field in quotation marks, or of one without."""
    return text[1:-1].replace('""', '"') if text[:1] == '"' else text


def _text(cell: bytes) -> str:
    """The text of bytes; those that are no UTF-8 become letters that no text has."""
    return cell.decode("utf-8", "surrogateescape")


def _is_no_text(text: str) -> bool:
    return any("\udc80" <= letter <= "\udcff" for letter in text)
