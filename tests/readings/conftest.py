"""Fixtures of the readings: both databases, a clock that can be set, one valid mark."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from database_server import Server, server_programs
from reading_clock import SetClock

from cohortlib.readings import clock, items, opening


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    programs = server_programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    running = Server(programs)
    yield running
    running.remove()


@pytest.fixture
def file_place(tmp_path: Path) -> str:
    return str(tmp_path / "readings.sqlite")


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest) -> str:
    """Where a new store may be made: a file, then a server's database."""
    if request.param == "sqlite":
        return str(request.getfixturevalue("file_place"))
    return str(request.getfixturevalue("server").address())


@pytest.fixture
def set_clock(monkeypatch: pytest.MonkeyPatch) -> SetClock:
    moved = SetClock()
    for module in (clock, items, opening):
        monkeypatch.setattr(module, "current_time", moved)
    return moved
