"""Grades of a study come from its store of readings once it holds any; before that, from the table."""

from __future__ import annotations

import datetime
import re
import sqlite3
from pathlib import Path

import pandas as pd
import pytest

from cohortlib.errors import StudyError
from cohortlib.measure.grades import graded_scores
from cohortlib.readings import make_worklist, open_readings
from cohortlib.study import read_study
from cohortlib.study.readings_import import import_readings
from cohortlib.tables import DICTIONARY

SHA = "0" * 64
HEADER = ",".join(DICTIONARY["grades"]) + "\n"
ROWS = "I01,R1,1,left,ossification,whole,2,2031-02-01T09:02:00Z\n"
MORE = "I01,R2,1,left,ossification,whole,0,2031-02-01T09:03:00Z\n"
EARLIER = Path(__file__).parents[1] / "readings" / "store_of_version_2.sql"


class Clock:
    """A clock set by hand."""

    def __init__(self) -> None:
        self.now = datetime.datetime(2031, 3, 1, tzinfo=datetime.UTC)

    def __call__(self) -> datetime.datetime:
        return self.now


@pytest.fixture
def study(small_study: Path) -> Path:
    """The small study with a table of grades and no marks."""
    (small_study / "tables" / "landmarks.csv").unlink()
    (small_study / "tables" / "grades.csv").write_text(HEADER + ROWS)
    return small_study


def listed(*readers: str) -> pd.DataFrame:
    images = pd.DataFrame({"image_id": ["I01"], "image_sha256": SHA, "sides": "left"})
    return make_worklist(images, readers=readers, repeat_share=0, seed=1, task="grades")


# By hand -------------------------------------------------------------------------------------------


def test_grades_are_taken_in_and_come_out_the_same(study: Path) -> None:
    before = read_study(study)
    done = import_readings(study, who="PI")
    assert done[["table", "n_rows", "n_new"]].to_numpy().tolist() == [["grades", 1, 1]]
    after = read_study(study)
    pd.testing.assert_frame_equal(after.grades, before.grades)
    state = after.readings_state
    assert (state["grades_source"], state["n_grades"], state["holds_grades"]) == ("readings.sqlite", 1, True)
    pd.testing.assert_frame_equal(graded_scores(after), graded_scores(before))
    (study / "tables" / "grades.csv").unlink()
    assert read_study(study).grades["grade"].tolist() == ["2"]
    assert read_study(study, readings=False).grades.empty


def test_grades_of_a_worklist_are_hidden_until_they_are_unblinded(study: Path) -> None:
    import_readings(study, who="PI")
    with open_readings(study, simulated_clock=Clock()) as store:
        store.write_worklist(listed("R2"), who="PI", washout_days=0)
        item_id = store.next_item("R2")["item_id"].iloc[0]
        said = pd.DataFrame([{"side": "left", "scale": "ossification", "part": "whole", "grade": "3"}])
        store.finish_item(item_id, reader_id="R2", image_sha256=SHA, duration_s=3.0, grades=said)
        blinded = read_study(study)
        assert blinded.grades["reader_id"].tolist() == ["R1"]
        state = blinded.readings_state
        assert (state["n_grades"], state["n_grades_hidden"]) == (1, 1)
        store.lock(who="PI")
        assert read_study(study).grades["reader_id"].tolist() == ["R1"]
        store.unblind(who="PI", reason="analysis")
    found = graded_scores(read_study(study)).set_index("reader_id")
    assert found["value"].to_dict() == {"R1": 2.0, "R2": 3.0}


@pytest.mark.parametrize("is_earlier", [True, False])
def test_a_store_that_holds_no_grades_leaves_them_to_the_table(is_earlier: bool, study: Path) -> None:
    """Also one that was locked before a store could keep grades: the study is not closed by it."""
    if is_earlier:
        for path in (study / "study.toml", *study.glob("tables/*.csv")):
            path.write_text(re.sub(r"203(\d-)", r"202\1", path.read_text()))  # that store is of 2025
        images = study / "tables" / "images.csv"
        more = (f"{name},P01,week_6,radiograph,AP hip,,images/{name}.dcm\n" for name in ("I07", "I08"))
        images.write_text(images.read_text() + "".join(more))
        with sqlite3.connect(study / "readings.sqlite") as connection:
            connection.executescript(EARLIER.read_text())
        connection.close()
    else:
        with open_readings(study, simulated_clock=Clock()) as store:
            store.lock(who="PI")
    found = read_study(study)
    assert len(found.landmarks) == int(is_earlier)  # the other mark is of a worklist
    assert len(found.gradings) == int(is_earlier)
    assert found.grades["grade"].tolist() == ["2"]
    assert found.readings_state["grades_source"] == "tables"
    with pytest.raises(StudyError, match="PI locked on"):
        import_readings(study, who="PI")


# By failure ----------------------------------------------------------------------------------------


def test_a_table_beside_a_store_with_grades_is_never_chosen_or_joined(study: Path) -> None:
    import_readings(study, who="PI")
    path = study / "tables" / "grades.csv"
    path.write_text(HEADER + ROWS + MORE)
    with pytest.raises(StudyError, match=r"grades\.csv line 3: found rows that are not in the store"):
        read_study(study)
    assert import_readings(study, who="PI")["n_new"].tolist() == [1]
    assert len(read_study(study).grades) == 2
    path.write_text(HEADER + ROWS.replace(",2,", ",4,"))
    with pytest.raises(StudyError, match="line 2: found rows that are not in the store"):
        read_study(study)
    with pytest.raises(StudyError, match="Write corrections of the stored rows"):
        import_readings(study, who="PI")


def test_a_worklist_that_asks_for_grades_closes_the_table(study: Path) -> None:
    with open_readings(study, simulated_clock=Clock()) as store:
        store.write_worklist(listed("R2"), who="PI", washout_days=0)
    with pytest.raises(StudyError, match=r"grades\.csv line 2: found rows that are not in the store"):
        read_study(study)


@pytest.mark.parametrize(
    ("row", "match"),
    [
        ({"image_id": "I77"}, r"readings.sqlite, grade_id line 1, image_id: found 'I77'.* supersedes"),
        ({"side": "right"}, "on a side without a study hip"),
        ({"marked_at": pd.Timestamp("2029-01-01", tz="UTC")}, "a time after the image was taken"),
    ],
)
def test_rows_of_the_store_are_checked_against_the_study(row: dict, match: str, study: Path) -> None:
    (study / "tables" / "grades.csv").unlink()
    grade = {"image_id": "I01", "reader_id": "R1", "repeat": 1, "side": "left", "scale": "ossification"}
    moment = pd.Timestamp("2031-03-01", tz="UTC")
    rows = pd.DataFrame([{**grade, "part": "whole", "grade": "2", "marked_at": moment, **row}])
    with open_readings(study, simulated_clock=Clock()) as store:
        store.import_grades(rows, provenance={"file": "other.csv", "sha256": SHA, "who": "PI"})
    with pytest.raises(StudyError, match=match):
        read_study(study)
