"""The embedded database: one file in the study folder that keeps what it acknowledged.

It keeps a rollback journal rather than a write-ahead log: after every commit all of it is in the one
file, which may be copied, and a study that is only looked at is not written to. `synchronous = EXTRA`
waits until the disk has the file, and the folder too.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, create_engine, event
from sqlalchemy.pool import NullPool

from cohortlib.errors import study_error
from cohortlib.readings.database import BEGIN_OPTION, WAIT_S, Database
from cohortlib.readings.refusals import shown

FILE_NAME = "readings.sqlite"
_OLDEST_SQLITE = (3, 37, 0)  # the first with strict tables


def file_database(path: Path, *, write: bool, durable: bool = True) -> Database:
    """The database in a file, or in the file `readings.sqlite` of a folder.

    Parameters
    ----------
    durable
        False does not wait for the disk: for what can be made again.

    Raises
    ------
    StudyError
        If there can be no such file, or it is to be read and there is none.
    """
    if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
        raise study_error(
            found=f"SQLite {sqlite3.sqlite_version}",
            expected="SQLite 3.37 or later",
            remedy="Install a newer Python",
        )
    found, remedy = "", "Correct the path"
    try:
        path = path / FILE_NAME if path.is_dir() else path
        if path.is_symlink():
            found, remedy = f"a link to {shown(path.resolve())}", "Replace the link by the file"
        elif path.exists() and not path.is_file():
            found = "something that is no regular file"
        elif not path.exists() and not write:
            found, remedy = "no such file", "Open the store for writing once, or correct the path"
        elif not path.parent.is_dir():
            found, remedy = f"no folder {shown(path.parent)}", "Correct the path, or make the folder"
    except (OSError, RuntimeError, ValueError) as error:
        found = shown(getattr(error, "strerror", None) or error)
    if found:
        raise study_error(file=shown(path), found=found, expected=f"a {FILE_NAME}", remedy=remedy)
    # What a writer that was killed left half written can only be undone with the right to write: a store
    # that is only looked at is opened with it too, and then changes nothing by `query_only`.
    uri = f"file:{quote(str(path.absolute()))}?mode={'rwc' if write else 'rw'}"

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(uri, uri=True, timeout=WAIT_S, isolation_level=None)
        connection.execute(f"PRAGMA query_only={'OFF' if write else 'ON'}")
        connection.execute(f"PRAGMA synchronous={'EXTRA' if durable else 'OFF'}")
        return connection

    engine = create_engine("sqlite+pysqlite://", creator=connect, poolclass=NullPool)
    event.listen(engine, "connect", _set_up_file)
    event.listen(engine, "begin", _begin)
    return Database(engine, shown(path), write)


def _set_up_file(connection: Any, _record: object) -> None:
    for pragma in ("foreign_keys=ON", "trusted_schema=OFF", "cell_size_check=ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    # A writer takes its turn at the start: two that both had begun to read could neither go on.
    connection.exec_driver_sql(connection.get_execution_options().get(BEGIN_OPTION, "BEGIN"))
