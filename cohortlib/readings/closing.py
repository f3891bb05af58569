"""The end of a reading: lock, then unblinding, then the key."""

from __future__ import annotations

import pandas as pd
from sqlalchemy import select

from cohortlib.errors import study_error
from cohortlib.readings import locking
from cohortlib.readings.cell_checks import checked
from cohortlib.readings.cells import FLAG, ID, TEXT
from cohortlib.readings.frames import frame
from cohortlib.readings.handle import Handle
from cohortlib.readings.schema import EVENTS, ITEMS


class Closing(Handle):
    """Who closed and who opened the readings."""

    def lock(self, *, who: str, accept_unfinished: bool = False) -> locking.Lock:
        """Close the readings for good; from now on the database itself refuses every reading.

        Parameters
        ----------
        who
            Who locks.
        accept_unfinished
            Lock although worklists have items that nobody read.

        Returns
        -------
        Lock
            who, locked_at, sha256 (of all rows that stand), history_sha256 (of all rows ever stored),
            n_marks, n_gradings, n_unfinished, n_grades.
        """
        name = checked(who, ID, name="who")
        accept = bool(checked(accept_unfinished, FLAG, name="accept_unfinished"))
        with self._database.writing() as connection:
            return locking.insert_lock(connection, self.place, who=name, accept_unfinished=accept)

    def locked(self) -> locking.Lock | None:
        """The lock, or None while readings may be written."""
        with self._database.reading() as connection:
            return locking.the_lock(connection)

    def unblind(self, *, who: str, reason: str) -> pd.DataFrame:
        """Record that someone learns which item was which image, and give the key.

        Returns
        -------
        DataFrame
            As `key`.

        Raises
        ------
        StudyError
            If the readings are not locked, or are not what was locked.
        """
        name, why = checked(who, ID, name="who"), checked(reason, TEXT, name="reason")
        with self._database.writing() as connection:
            locking.insert_unblinding(connection, self.place, who=name, reason=why)
        return self.key()

    def key(self) -> pd.DataFrame:
        """Which item was which image, once someone unblinded the readings.

        Returns
        -------
        DataFrame
            item_id, worklist_id, reader_id, session, place, image_id, image_sha256, sides, repeat,
            role, task.

        Raises
        ------
        StudyError
            Before the unblinding.
        """
        with self._database.reading() as connection:
            if connection.execute(select(EVENTS).where(EVENTS.c.what == "unblinded")).first() is None:
                raise study_error(
                    file=self.place,
                    found="readings that are blinded",
                    expected="an unblinding, which needs a lock",
                    remedy="Lock the readings, then unblind them",
                )
            order = (ITEMS.c.worklist_id, ITEMS.c.reader_id, ITEMS.c.session, ITEMS.c.place)
            return frame(connection, select(ITEMS).order_by(*order))
