"""One file → its row: walked where that is clearly right, read by pydicom where it is not."""

from __future__ import annotations

import hashlib
import os
from typing import NamedTuple

from cohortlib.dicom.finding.columns import Row, empty_row
from cohortlib.dicom.finding.facts import header_cells
from cohortlib.dicom.finding.pydicom_scan import pydicom_scan
from cohortlib.dicom.finding.scan import CutOff, Scan, scanned
from cohortlib.errors import StudyError

#: How much of a file is read at first, and then if the header is longer [bytes].
_PORTIONS = (8 * 1024, 128 * 1024, 4 * 1024**2)
_MAGIC_END = 132


class HeaderRow(NamedTuple):
    """A row of `HEADER_COLUMNS`; the digest of the first bytes, all that it was made of, or ""."""

    row: Row
    header_bytes: int
    header_sha256: str


def header_row(path: str, size_bytes: int) -> HeaderRow:
    """What the header of a file tells; a file that is no DICOM image has its reason in `problem`."""
    try:
        data, scan = _scanned_file(path, size_bytes)
    except CutOff:
        return HeaderRow(empty_row("a file that was cut short within its header"), 0, "")
    except OSError as error:
        return HeaderRow(empty_row(f"a file that cannot be read ({error.strerror})"), 0, "")
    if data[128:_MAGIC_END] != b"DICM":
        data = data[:_MAGIC_END]
        reason = "no DICOM file header" if size_bytes else "an empty file"
        return HeaderRow(empty_row(reason), len(data), hashlib.sha256(data).hexdigest())
    if scan is not None:
        row = header_cells(scan, behind_header=size_bytes - scan.end)
        return HeaderRow(row, scan.end, hashlib.sha256(memoryview(data)[: scan.end]).hexdigest())
    try:
        return HeaderRow(header_cells(*pydicom_scan(path)), 0, "")
    except StudyError as error:
        found = error.problems.iloc[0]
        return HeaderRow(empty_row(f"{found['found']}; expected {found['expected']}"), 0, "")


def header_sha256(path: str, header_bytes: int) -> str:
    """The digest of the first bytes of a file; "" if it cannot be read."""
    try:
        return hashlib.sha256(_first_bytes(path, header_bytes)).hexdigest()
    except OSError:
        return ""


def _scanned_file(path: str, size_bytes: int) -> tuple[bytes, Scan | None]:
    """The first bytes of a file with what was found in them; None if pydicom must look at the file.

    Raises
    ------
    CutOff
        If the whole file ends within an element.
    """
    data = b""
    for portion in _PORTIONS:
        data = _first_bytes(path, portion)
        whole = len(data) >= size_bytes
        try:
            scan = scanned(data)
        except CutOff:
            if whole:
                raise
        else:
            if scan is None or scan.end < len(data) or whole:
                return data, scan
    return data, None


def _first_bytes(path: str, count: int) -> bytes:
    # Not blocking: what was a file when it was listed may be a pipe by now.
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        return os.read(descriptor, count)
    finally:
        os.close(descriptor)
