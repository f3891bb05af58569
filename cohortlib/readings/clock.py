"""The time that is stored with every row: UTC, to the microsecond, as text of one length.

The embedded file takes the time of its computer, the database server gives its own to all readers. A store of
an invented study may be opened with a clock of its own; every row then says so (`software`).
"""

from __future__ import annotations

import datetime
from collections.abc import Callable

from sqlalchemy import Connection, func, select, text

import cohortlib
from cohortlib.errors import study_error
from cohortlib.readings.kept import kept
from cohortlib.readings.schema import EVENTS, READINGS

#: What an invented study takes for the time.
SimulatedClock = Callable[[], datetime.datetime]
#: Option of a connection: its simulated clock.
CLOCK_OPTION = "cohortlib_clock"
#: How `software` ends where the time was invented.
SIMULATED = ", simulated clock"
#: The clocks of two computers may differ by this much; more would spoil the washout.
TOLERANCE = datetime.timedelta(minutes=5)


def time_text(moment: datetime.datetime) -> str:
    """`2031-06-30T09:15:00.000000Z`."""
    utc = moment.astimezone(datetime.UTC)
    return utc.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def time_value(stored: str) -> datetime.datetime:
    """The moment that `time_text` wrote."""
    return datetime.datetime.fromisoformat(stored)


def current_time(connection: Connection) -> datetime.datetime:
    """Now, by the clock of the database, or the simulated one."""
    simulated: SimulatedClock | None = connection.get_execution_options().get(CLOCK_OPTION)
    if simulated is not None:
        return simulated()
    if connection.dialect.name == "postgresql":
        return connection.execute(text("SELECT clock_timestamp()")).scalar_one()
    return datetime.datetime.now(datetime.UTC)


def software(connection: Connection) -> str:
    """What stands with every row that is stored: the release, and whether its time was invented."""
    simulated = CLOCK_OPTION in connection.get_execution_options()
    return f"cohortlib {cohortlib.__version__}" + (SIMULATED if simulated else "")


def stored_time(connection: Connection) -> str:
    """The time for the rows that are about to be stored.

    Raises
    ------
    StudyError
        If the clock stands before what is stored already: set the clock of the computer.
    """
    now = current_time(connection)
    for table in (*(READINGS[content] for content in kept(connection)), EVENTS):
        latest = connection.execute(
            select(table.c.stored_at).where(
                next(iter(table.primary_key))
                == select(func.max(next(iter(table.primary_key)))).scalar_subquery()
            )
        ).scalar()
        if latest is not None and time_value(latest) > now + TOLERANCE:
            raise study_error(
                column="stored_at",
                found=f"a clock at {time_text(now)}",
                expected=f"a time after the last entry, {latest}",
                remedy="Set the clock of the computer; the times of readings rest on it",
            )
    return time_text(now)
