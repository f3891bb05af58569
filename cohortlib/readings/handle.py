"""The open store: its place, its health, its trail."""

from __future__ import annotations

from types import TracebackType
from typing import Self

import pandas as pd

from cohortlib.readings import locking
from cohortlib.readings.database import Database
from cohortlib.readings.frames import frame, history
from cohortlib.readings.schema import EVENTS
from cohortlib.readings.seal import check_batches, check_file


class Handle:
    """A database that holds readings."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let the database go; a later call opens it again."""
        self._database.engine.dispose()

    @property
    def place(self) -> str:
        """Where the store is, without a password."""
        return self._database.place

    def check(self) -> None:
        """Check the file for damage, every batch for its rows, and locked readings for their hash.

        Raises
        ------
        StudyError
            If the file is damaged, or someone altered the store past this program.
        """
        with self._database.reading() as connection:
            check_file(connection, self.place)
            check_batches(connection, self.place)
            locking.check_lock(connection, self.place)

    def events(self) -> pd.DataFrame:
        """Who did what when: event_id, what, who, subject, stored_at, details (JSON), software."""
        with self._database.reading() as connection:
            return frame(connection, history(EVENTS))
