"""Warnings of pydicom noted while several threads read: they are caught for the whole program."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from cohortlib.dicom.opening import warnings_noted

_one_at_a_time = threading.RLock()


@contextmanager
def noted_by_one(notes: list[str]) -> Iterator[None]:
    """As `warnings_noted`, for one thread at a time."""
    with _one_at_a_time, warnings_noted(notes):
        yield
