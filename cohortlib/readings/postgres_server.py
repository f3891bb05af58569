"""A database server on which several readers work at once."""

from __future__ import annotations

import ipaddress
import os
import ssl
from typing import Any

from sqlalchemy import URL, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError

from cohortlib.errors import StudyError, study_error
from cohortlib.readings.database import WAIT_S, Database
from cohortlib.readings.refusals import shown

#: How the address of a server begins.
SERVER = "postgresql+pg8000"
#: Where the password is taken from, so that no study folder holds it: the host, a blank, the password.
#: It goes to that host only: a study folder from elsewhere may name another one.
PASSWORD_VARIABLE = "COHORTLIB_READINGS_PASSWORD"


def server_database(address: str, *, write: bool) -> Database:
    """The database at an address `postgresql+pg8000://user@host/database`.

    Raises
    ------
    StudyError
        If the address is none. Whether the server answers is seen at the first transaction.
    """
    url = _url(address)
    host, _, password = os.environ.get(PASSWORD_VARIABLE, "").partition(" ")
    engine = create_engine(
        url,
        isolation_level="READ COMMITTED",
        pool_size=1,
        pool_pre_ping=True,
        connect_args={
            # Without any, a server that wants one is to say so itself: the driver would stumble.
            "password": url.password or (password if host == url.host else ""),
            "timeout": 2 * WAIT_S,  # a lock is waited for first
            # What leaves the computer is encrypted, and goes to a server that can prove who it is.
            "ssl_context": False if _is_this_computer(url) else ssl.create_default_context(),
        },
    )
    event.listen(engine, "connect", _set_up_server)
    return Database(engine, shown(url.render_as_string(hide_password=True)), write)


def check_study_address(address: str) -> None:
    """Refuse an address that may not stand in a study.toml: none of a server, or one with a password.

    Raises
    ------
    StudyError
    """
    if _url(address).password is not None:
        raise study_error(
            column="[readings] url",
            found="an address with a password",
            expected=f"{SERVER}://user@host/database",
            remedy="Take the password out and change it: the file may have been seen. It belongs in the "
            f"environment variable {PASSWORD_VARIABLE}, after the host and a blank",
        )


def check_host_named(address: str) -> None:
    """Refuse a server that nobody at this computer named: a study folder from elsewhere may name any.

    Raises
    ------
    StudyError
        If the environment names no host, or another one.
    """
    host = str(_url(address).host)
    if os.environ.get(PASSWORD_VARIABLE, "").partition(" ")[0] != host:
        raise study_error(
            column="[readings] url",
            found=f"readings on the server {shown(host)}, which was not asked",
            expected=f"a server that you name yourself in {PASSWORD_VARIABLE}",
            remedy=f'If you know it, set {PASSWORD_VARIABLE} to "{shown(host)} PASSWORD"; or read the study '
            "without its store: read_study(folder, readings=False)",
        )


def _url(address: str) -> URL:
    try:
        url = make_url(address)
    except (ArgumentError, ValueError) as error:
        raise _wrong_address("an address that cannot be read") from error
    if url.drivername != SERVER or not url.host or not url.database or url.query:
        raise _wrong_address(shown(url.render_as_string(hide_password=True)))
    return url


def _is_this_computer(url: URL) -> bool:
    try:
        return ipaddress.ip_address(str(url.host)).is_loopback
    except ValueError:
        return url.host == "localhost"


def _set_up_server(connection: Any, _record: object) -> None:
    cursor = connection.cursor()
    for setting in ("synchronous_commit TO on", f"lock_timeout TO '{WAIT_S}s'"):
        cursor.execute(f"SET {setting}")
    cursor.close()
    connection.commit()


def _wrong_address(found: str) -> StudyError:
    return study_error(
        column="[readings] url",
        found=found,
        expected=f"the path of a study folder or of its readings.sqlite, or {SERVER}://user@host/database",
        remedy=f"Write {SERVER}:// with user, host and database, and nothing after it",
    )
