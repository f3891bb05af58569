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
from io import StringIO
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.dicom.opening import LARGEST_FILE_BYTES
from cohortlib.errors import StudyError, problem, study_error

#: What a person may have seen.
FINDINGS = ("nothing burned in", "text at the top or bottom", "text elsewhere")
COLUMNS = ("checked_at", "checked_by", "path", "sha256", "finding")

_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,63}")
_PATH = re.compile(r"(?![=+@-])[^\x00-\x1f\x7f]{1,400}")
_TIME = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}Z", re.ASCII)
_SHA256 = re.compile(r"[0-9a-f]{64}")
_PATTERNS = (_TIME, _NAME, _PATH, _SHA256, re.compile("|".join(FINDINGS)))


def record_pixel_check(
    record: str | os.PathLike[str],
    folder: str | os.PathLike[str],
    path: str,
    *,
    checked_by: str,
    finding: str,
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

    Returns
    -------
    DataFrame
        The one row: checked_at (UTC), checked_by, path, sha256, finding.

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
    )
    for name, value, pattern in zip(COLUMNS, row, _PATTERNS, strict=True):
        if not pattern.fullmatch(value):
            expected = " or ".join(FINDINGS) if name == "finding" else "a plain word, such as R1"
            raise study_error(
                column=name, found=value, expected=expected, remedy="Correct it and record the check again"
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
    rows = list(csv.reader(StringIO(text, newline=""))) if text else []
    problems: list[dict[str, Any]] = []
    if rows and tuple(rows[0]) != COLUMNS:
        problems.append(_damage(place, 1, "another header"))
    for line, row in enumerate(rows[1:], start=2):
        right = len(row) == len(COLUMNS) and all(
            pattern.fullmatch(value) for value, pattern in zip(row, _PATTERNS, strict=True)
        )
        if not right:
            problems.append(_damage(place, line, "a line that is no check"))
    if text and not text.endswith("\n"):
        problems.append(_damage(place, len(rows), "a line without its end"))
    if problems:
        raise StudyError(problems)
    return pd.DataFrame(rows[1:], columns=list(COLUMNS), dtype="str")


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
