"""What a database refuses or fails at, as one sentence."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from cohortlib.errors import StudyError, study_error
from cohortlib.readings.guards import APPEND_ONLY, FOREIGN, LOCKED, NOT_LOCKED, TAKEN

_LONGEST_SHOWN = 200
_COPY = "Keep the file as it is, put it aside, and take the last copy that opens"

#: What a message of the database has in it → what was found, what is expected, what to do.
REASONS = {
    APPEND_ONLY: (
        "a change of rows that are stored",
        "new rows only",
        "Write a correction as a new row that names the one it supersedes",
    ),
    LOCKED: (
        "readings that are locked",
        "no reading after the lock",
        "Leave the locked readings as they are; whoever keeps the data decides about late ones",
    ),
    NOT_LOCKED: ("readings that are not locked", "a lock before the unblinding", "Lock the readings first"),
    FOREIGN: (
        "a correction of another reading",
        "a correction of a row of the same image, reader and repeat (a grading or grade: also zone or part)",
        "Name the row that is to be corrected in supersedes",
    ),
    TAKEN: (
        "a row that is there already, or was superseded already",
        "each row, each item and each correction once",
        "Read the store again: someone else may have been faster",
    ),
    "UNIQUE constraint": (
        "a row that is there already, or was superseded already",
        "each row, each item and each correction once",
        "Read the store again: someone else may have been faster",
    ),
    "unique constraint": (
        "a row that is there already, or was superseded already",
        "each row, each item and each correction once",
        "Read the store again: someone else may have been faster",
    ),
    "database is locked": (
        "another program that holds the file",
        "a store that is free within half a minute",
        "Close the other program, or let the readers share a database server",
    ),
    "lock timeout": (
        "another program that holds the store",
        "a store that is free within half a minute",
        "Close the other program",
    ),
    "readonly database": (
        "a store that cannot be written to",
        "a file and a folder that may be written to",
        "Copy the study to a place where you may write, or open the store for reading",
    ),
    "file is not a database": ("no SQLite file", "the readings store of a study", _COPY),
    "malformed": ("a damaged SQLite file", "the readings store of a study", _COPY),
    "unable to open": (
        "a file that cannot be opened",
        "a file in a folder that exists and may be written to",
        "Correct the path, or make the folder",
    ),
    "disk is full": ("a full disk", "room for the readings", "Make room; what was acknowledged is kept"),
}


def shown(value: object) -> str:
    """A value fit for a message: short, in one line, and without letters that cannot be printed."""
    try:
        text = str(value)
    except Exception:  # a number of ten thousand digits, an object that cannot be written
        return f"something of the type {type(value).__name__}"
    if len(text) > _LONGEST_SHOWN:
        return f"{shown(text[:40])}… ({len(text)} letters)"
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in text
    )


@contextmanager
def refusals(place: str) -> Iterator[None]:
    """Turn what the database says into a `StudyError` that names the store."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as error:
        raise _told(error, place) from error
    except StudyError:
        raise
    except (ValueError, OverflowError) as error:
        # Arguments are checked before: what cannot be read was stored by no program of ours.
        found, expected = f"a stored value that cannot be read: {shown(error)}", "values as they were stored"
        raise study_error(file=place, found=found, expected=expected, remedy=_COPY) from error


def _told(error: Exception, place: str) -> StudyError:
    # The statement and its values stay out of the sentence.
    said = str(error.orig) if isinstance(error, DBAPIError) else str(error)
    for message, (found, expected, remedy) in REASONS.items():
        if message in said:
            return study_error(file=place, found=found, expected=expected, remedy=remedy)
    return study_error(
        file=place,
        found=shown(said),
        expected="a readings store that answers",
        remedy="Check that the database runs and that you may use it; what was acknowledged is kept",
    )
