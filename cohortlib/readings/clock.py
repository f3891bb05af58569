"""The time that is stored with every row: UTC, to the microsecond, as text of one length.

The embedded file takes the time of its computer, the database server gives its own to all readers.
"""

from __future__ import annotations

import datetime

from sqlalchemy import Connection, func, select, text

from cohortlib.errors import study_error
from cohortlib.readings.schema import EVENTS, MARKS

#: The clocks of two computers may differ by this much; more would spoil the washout.
_TOLERANCE = datetime.timedelta(minutes=5)


def time_text(moment: datetime.datetime) -> str:
    """`2031-06-30T09:15:00.000000Z`."""
    utc = moment.astimezone(datetime.UTC)
    return utc.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def time_value(stored: str) -> datetime.datetime:
    """The moment that `time_text` wrote."""
    return datetime.datetime.fromisoformat(stored)


def current_time(connection: Connection) -> datetime.datetime:
    """Now, by the clock of the database."""
    if connection.dialect.name == "postgresql":
        return connection.execute(text("SELECT clock_timestamp()")).scalar_one()
    return datetime.datetime.now(datetime.UTC)


def stored_time(connection: Connection) -> str:
    """The time for the rows that are about to be stored.

    Raises
    ------
    StudyError
        If the clock stands before what is stored already: set the clock of the computer.
    """
    now = current_time(connection)
    for table in (MARKS, EVENTS):
        latest = connection.execute(
            select(table.c.stored_at).where(
                next(iter(table.primary_key))
                == select(func.max(next(iter(table.primary_key)))).scalar_subquery()
            )
        ).scalar()
        if latest is not None and time_value(latest) > now + _TOLERANCE:
            raise study_error(
                column="stored_at",
                found=f"a clock at {time_text(now)}",
                expected=f"a time after the last entry, {latest}",
                remedy="Set the clock of the computer; the times of readings rest on it",
            )
    return time_text(now)
