"""The record of human looks at pixels: who looked at which image, when, and what was seen.

A header cannot prove that no name is burned into the pixels. The record is a CSV file that only grows; a
correction is a new row, and the last row of an image counts. An image is known by the SHA-256 of its
file, so that a check ends to hold when the file changes.
"""

from __future__ import annotations

import csv
import datetime
import hashlib
import os
import re
from collections.abc import Sequence
from io import StringIO
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.dicom.opening import LARGEST_FILE_BYTES
from cohortlib.errors import StudyError, problem, study_error
from cohortlib.tables.column import ID_PATTERN

#: What a person may have seen.
FINDINGS = ("nothing burned in", "text at the top or bottom", "text elsewhere")
COLUMNS = ("checked_at", "checked_by", "path", "sha256", "finding", "band_fraction")

_NAME = re.compile(ID_PATTERN)
_PATH = re.compile(r"(?![=+@-])[^\x00-\x1f\x7f]{1,400}")
_TIME = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}Z", re.ASCII)
_SHA256 = re.compile(r"[0-9a-f]{64}")
_FRACTION = re.compile(r"(0\.[0-9]{1,4})?", re.ASCII)
_PATTERNS = (_TIME, _NAME, _PATH, _SHA256, re.compile("|".join(FINDINGS)), _FRACTION)
_EXPECTED = {
    "finding": " or ".join(FINDINGS),
    "band_fraction": f"a part of the rows between 0 and 0.5 with {FINDINGS[1]!r}, and none else",
}


def record_pixel_check(
    record: str | os.PathLike[str],
    folder: str | os.PathLike[str],
    path: str,
    *,
    checked_by: str,
    finding: str,
    band_fraction: float | None = None,
) -> pd.DataFrame:
    """Add a row to the record of pixel checks: a person looked at the whole image just now.

    Parameters
    ----------
    record
        The CSV file; it is begun if it is not there.
    folder, path
        The folder of de-identified images, and the image below it.
    checked_by
        The reader's id.
    finding
        One of `FINDINGS`.
    band_fraction
        With text at the top or bottom: the part of the rows, from either edge, that holds all of it,
        such as 0.12. It is what `export_images` will make black.

    Returns
    -------
    DataFrame
        The one row: checked_at (UTC), checked_by, path, sha256, finding, band_fraction.

    Raises
    ------
    StudyError
        If there is no such image, the finding is none of these, or the record is damaged.
    """
    row = (
        datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        checked_by,
        path,
        image_sha256(Path(folder), path),
        finding,
        "" if band_fraction is None else f"{band_fraction:g}",
    )
    wrong = _wrong_columns(row)
    if wrong:
        raise study_error(
            column=wrong[0],
            found=row[COLUMNS.index(wrong[0])] or "none",
            expected=_EXPECTED.get(wrong[0], "a plain word, such as R1"),
            remedy="Correct it and record the check again",
        )
    place = Path(record)
    lines = "" if place.exists() and read_pixel_checks(place) is not None else ",".join(COLUMNS) + "\n"
    text = StringIO()
    csv.writer(text, lineterminator="\n").writerow(row)
    _append(place, (lines + text.getvalue()).encode())
    return pd.DataFrame([row], columns=list(COLUMNS), dtype="str")


def read_pixel_checks(record: str | os.PathLike[str]) -> pd.DataFrame:
    """The rows of the record in their order; no rows if there is no record yet.

    Raises
    ------
    StudyError
        If a line is none that `record_pixel_check` writes, or the last one was cut short.
    """
    place = Path(record)
    try:
        text = place.read_bytes().decode("utf-8") if place.exists() else ""
    except (OSError, ValueError) as error:
        raise study_error(
            file=place.name,
            found="a record that cannot be read",
            expected="the CSV file of pixel checks",
            remedy="Restore it from a copy",
        ) from error
    rows = [next(csv.reader([line]), []) for line in text.splitlines()]
    problems: list[dict[str, Any]] = []
    if rows and tuple(rows[0]) != COLUMNS:
        problems.append(_damage(place, 1, "another header"))
    for line, row in enumerate(rows[1:], start=2):
        if len(row) != len(COLUMNS) or _wrong_columns(row):
            problems.append(_damage(place, line, "a line that is no check"))
    if text and not text.endswith("\n"):
        problems.append(_damage(place, len(rows), "a line without its end"))
    if problems:
        raise StudyError(problems)
    return pd.DataFrame(rows[1:], columns=list(COLUMNS), dtype="str")


def _wrong_columns(row: Sequence[str]) -> list[str]:
    """The columns of a row whose values are none that is written."""
    wrong = [
        name
        for name, value, pattern in zip(COLUMNS, row, _PATTERNS, strict=True)
        if not pattern.fullmatch(value)
    ]
    finding, fraction = row[-2:]
    if not wrong and (finding == FINDINGS[1]) != (0 < float(fraction or 0) < 0.5):
        wrong.append("band_fraction")
    return wrong


def image_sha256(folder: Path, path: str) -> str:
    """The SHA-256 of an image file below a folder.

    Raises
    ------
    StudyError
        If there is no such file in the folder.
    """
    place = folder / path
    try:
        inside = place.resolve().is_relative_to(folder.resolve())
        if inside and place.is_file() and place.stat().st_size <= LARGEST_FILE_BYTES:
            with place.open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, RuntimeError, ValueError):
        pass
    raise study_error(
        column="path",
        found=path,
        expected="an image below the folder",
        remedy="Correct the path; it is written from the folder of images on, with /",
    )


def _append(place: Path, content: bytes) -> None:
    # One call writes the whole line, so two people who check at once do not mix their lines.
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
    try:
        descriptor = os.open(place, flags, 0o666)
        try:
            os.write(descriptor, content)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise study_error(
            file=place.name,
            found=f"a record that cannot be written ({error.strerror})",
            expected="a CSV file in a folder where you may write",
            remedy="Correct its place or permissions",
        ) from error


def _damage(place: Path, line: int, found: str) -> dict[str, Any]:
    return problem(
        file=place.name,
        line=line,
        found=found,
        expected=", ".join(COLUMNS) + " as they were written",
        remedy="Restore the record from a copy, or delete the line and look at its image again",
    )
