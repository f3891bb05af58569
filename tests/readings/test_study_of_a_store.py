"""A study that reads its store: on a server, and while others write to it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from database_server import Server
from writer_process import Writers

from cohortlib.errors import StudyError
from cohortlib.readings import open_readings
from cohortlib.readings.postgres_server import PASSWORD_VARIABLE
from cohortlib.study import check_study, read_study
from cohortlib.study.readings_import import import_readings


@pytest.fixture
def study(small_study: Path) -> Path:
    """The small study with images of the past, so that they can be marked now."""
    for path in (small_study / "study.toml", *small_study.glob("tables/*.csv")):
        path.write_text(re.sub(r"203(\d-)", r"202\1", path.read_text()))
    return small_study


def named(server: Server, study: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The address of a new place, with its server named in study.toml and in the environment."""
    address = server.address()
    toml = study / "study.toml"
    bare = address.replace(f":{server.password}", "")
    toml.write_text(toml.read_text() + f'[readings]\nurl = "{bare}"\n')
    monkeypatch.setenv(PASSWORD_VARIABLE, f"127.0.0.1 {server.password}")
    return address


# By hand -------------------------------------------------------------------------------------------


def test_a_store_on_a_server(server: Server, study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = read_study(study)
    named(server, study, monkeypatch)
    with pytest.raises(StudyError, match=r"readings: found no readings store.*python -m cohortlib readings"):
        read_study(study)
    assert import_readings(study, who="PI")["n_new"].tolist() == [3]
    found = read_study(study)
    assert found.landmarks.equals(before.landmarks)
    assert found.readings_state["source"] == "readings"
    assert not list(study.glob("*.sqlite*"))
    monkeypatch.setenv(PASSWORD_VARIABLE, f"127.0.0.1 not_{server.password}")
    problems = check_study(study)
    assert problems["file"].tolist() == ["readings"]
    assert server.password not in problems.to_csv()


# By law --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["file", "server"])
def test_a_study_is_read_while_two_write(
    kind: str, study: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    """Every look sees whole batches, and never fewer than the look before."""
    (study / "tables" / "landmarks.csv").unlink()
    place = str(study / "readings.sqlite")
    if kind == "server":
        place = named(request.getfixturevalue("server"), study, monkeypatch)
    open_readings(place).close()
    limit, writers, seen = 30, Writers(), [0]
    for reader_id in ("R1", "R2"):
        writers.start(place, reader_id, limit, pause_ms=10)
    for _ in range(6):
        marks = read_study(study).landmarks
        # A batch of 1 to 5 marks; the first of it may be superseded by the batch after.
        for (_, number), rows in marks.groupby(["reader_id", "x_px"]):
            places = rows["y_px"].tolist()
            assert places in (list(range(len(places))), list(range(1, len(places) + 1)))
            assert places[-1] == number % 5
        seen.append(len(marks))
    writers.reap()
    writers.close()
    assert writers.failed == 0
    assert seen == sorted(seen)
    # Two writers, 30 batches of 1 to 5 marks, and every third supersedes a mark.
    assert len(read_study(study).landmarks) == 2 * (limit * 3 - limit // 3)
