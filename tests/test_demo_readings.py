"""The simulated readers of the demo: their store holds what the table holds, read item by item."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from cohortlib.errors import StudyError
from cohortlib.pipeline.demo_readings import make_readings
from cohortlib.pipeline.measuring import film_tasks
from cohortlib.readings import open_readings
from cohortlib.study import check_study, read_study

DEMO = Path(__file__).parents[1] / "synthetic_cohort"


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    """The demo with the readings of some films, some of them read twice, and bytes in place of films."""
    folder = tmp_path / "demo"
    folder.mkdir()
    shutil.copy(DEMO / "study.toml", folder)
    shutil.copytree(DEMO / "tables", folder / "tables")
    study = read_study(folder, readings=False)
    twice = study.landmarks.query("repeat == 2")["image_id"].unique()[:2]
    by_all = study.landmarks.query("reader_id == 'R2'")["image_id"].unique()[:3]
    graded_twice = study.gradings.query("repeat == 2")["image_id"].unique()[:1]
    kept = {*twice, *by_all, *graded_twice}
    for table in ("landmarks", "gradings", "grades"):
        path = folder / "tables" / f"{table}.csv"
        lines = path.read_text().splitlines(keepends=True)
        path.write_text("".join([lines[0], *(line for line in lines[1:] if line.split(",")[0] in kept)]))
    (folder / "images").mkdir()
    for image in study.images.set_index("image_id").loc[sorted(kept)].itertuples():
        (folder / str(image.path)).write_bytes(str(image.Index).encode())
    return folder


# by hand --------------------------------------------------------------------------------------------------


def test_the_store_has_the_marks_of_the_table_and_how_they_were_read(demo: Path) -> None:
    tables = read_study(demo, readings=False)
    reading = ["reader_id", "repeat", "image_id"]
    graded = pd.concat([tables.gradings[reading], tables.grades[reading]])
    wanted = sum(table.groupby(reading).ngroups for table in (tables.landmarks, graded))
    assert make_readings(demo) == wanted
    assert make_readings(demo) == 0
    study = read_study(demo)
    pd.testing.assert_frame_equal(study.landmarks, tables.landmarks)
    pd.testing.assert_frame_equal(study.gradings, tables.gradings)
    names = list(tables.grades)
    found, graded = (one.grades.sort_values(names, ignore_index=True) for one in (study, tables))
    pd.testing.assert_frame_equal(found, graded)
    assert study.readings_state["grades_source"] == "readings.sqlite"
    assert list(film_tasks(study)) == list(film_tasks(tables))  # so no number changes
    state = study.readings_state
    assert (state["n_items"], state["n_finished"], state["n_marks"]) == (wanted, wanted, len(study.landmarks))
    assert (state["locked_by"], state["unblinded_by"], state["simulated"]) == ("PI", "PI", True)
    with open_readings(demo, write=False) as store:
        key, events = store.key(), store.events()
        assert set(store.mark_history()["software"].str.endswith(", simulated clock")) == {True}
    assert set(key["task"]) == {"marks", "gradings and grades"}
    assert key.groupby("role")["session"].unique().map(list).to_dict() == {"first": [1], "repeat": [2]}
    finished = events[events["what"] == "item finished"].set_index("subject")["stored_at"]
    read_at = key.assign(at=key["item_id"].map(finished)).set_index(
        ["reader_id", "image_id", "task", "repeat"]
    )["at"]
    again = read_at.xs(2, level="repeat")
    assert len(again) >= 3
    assert (again - read_at.xs(1, level="repeat").reindex(again.index)).min() >= pd.Timedelta(days=28)


def test_a_store_is_made_again_when_a_film_or_a_mark_changed(demo: Path) -> None:
    make_readings(demo)
    film = next((demo / "images").iterdir())
    film.write_bytes(b"another film")
    assert make_readings(demo) > 0
    path = demo / "tables" / "landmarks.csv"
    lines = path.read_text().splitlines()
    first = lines[1].split(",")
    path.write_text("\n".join([lines[0], ",".join([*first[:5], "1.5", *first[6:]]), *lines[2:]]) + "\n")
    assert "rows that are not in the store of readings" in check_study(demo)["found"].tolist()
    assert make_readings(demo) > 0
    assert check_study(demo).empty
    assert [path.name for path in demo.glob("*readings*")] == ["readings.sqlite"]


# by failure -----------------------------------------------------------------------------------------------


def test_readings_of_people_are_never_replaced(demo: Path) -> None:
    with open_readings(demo):
        pass
    before = (demo / "readings.sqlite").read_bytes()
    with pytest.raises(StudyError, match="not made by simulated readers"):
        make_readings(demo)
    assert (demo / "readings.sqlite").read_bytes() == before


def test_only_an_invented_study_with_its_films(demo: Path) -> None:
    next((demo / "images").iterdir()).unlink()
    with pytest.raises(StudyError, match="Make the films first"):
        make_readings(demo)
    toml = demo / "study.toml"
    toml.write_text(toml.read_text().replace("synthetic = true", "synthetic = false"))
    with pytest.raises(StudyError, match="not marked as invented"):
        make_readings(demo)
    assert not (demo / "readings.sqlite").exists()
