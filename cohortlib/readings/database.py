"""A database of readings: transactions that are stored whole, or not at all."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

from sqlalchemy import Connection, Engine

from cohortlib.errors import study_error
from cohortlib.readings.refusals import refusals

#: How long a transaction waits for its turn.
WAIT_S = 30
#: Option of a connection: how an SQLite transaction begins.
BEGIN_OPTION = "cohortlib_begin"


class Database(NamedTuple):
    """An engine, its name in messages, and whether it may be written to."""

    engine: Engine
    place: str
    writable: bool

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that sees one state of the store."""
        engine = self.engine
        if engine.dialect.name == "postgresql":
            engine = engine.execution_options(isolation_level="REPEATABLE READ")
        with refusals(self.place), engine.begin() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that is stored whole, or not at all."""
        if not self.writable:
            raise study_error(
                file=self.place,
                found="a store that was opened for reading",
                expected="a store that was opened for writing",
                remedy="Open it with write=True",
            )
        engine = self.engine.execution_options(**{BEGIN_OPTION: "BEGIN IMMEDIATE"})
        with refusals(self.place), engine.begin() as connection:
            yield connection
