"""Grades on scales: rows of their own beside marks and gradings, by the same rules."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from typing import Any

import pandas as pd
import pytest
from database_server import Server
from reading_clock import SetClock
from reading_rows import grade, grading, mark, sha256, table

from cohortlib.errors import StudyError
from cohortlib.readings import grade_discrepancies, make_adjudication_list, make_worklist, open_readings
from cohortlib.readings.schema import METADATA
from cohortlib.readings.tasks import TASKS
from cohortlib.tables import DICTIONARY
from cohortlib.tables.grading_scales import GRADING_SCALES, grades_of

ORIGIN = {"file": "grades.csv", "sha256": sha256("file"), "who": "PI"}
IMAGES = pd.DataFrame({"image_id": ["I01", "I02"], "sides": ["both", "left"]}).assign(
    image_sha256=lambda t: t["image_id"].map(sha256)
)
STABILITY = tuple(GRADING_SCALES["stem_stability"].parts)


def said(scale: str = "ossification", part: str = "whole", grade: str = "1", **other: Any) -> dict[str, Any]:
    """What a reader says of an item."""
    return {"side": "left", "scale": scale, "part": part, "grade": grade, **other}


def imported(*rows: dict) -> pd.DataFrame:
    """As the table `grades` of a study."""
    moment = pd.Timestamp("2031-02-01T09:00:00Z")
    return table(*rows).drop(columns=["duration_s", "image_sha256"]).assign(marked_at=moment)


# By hand -------------------------------------------------------------------------------------------


def test_grades_are_written_corrected_and_taken_back(place: str, set_clock: SetClock) -> None:
    with open_readings(place) as store:
        stored = store.write_grades(table(grade(), grade(side="right", grade="not assessable")))
        assert stored["grade_id"].tolist() == [1, 2]
        set_clock.forward(minutes=1)
        store.write_grades([grade(supersedes=1, grade="3", reason="graded again")])
        store.write_grades([grade(supersedes=2, side="right", grade=None, withdrawn=True)])
        found = store.grades()
        history = store.grade_history()
        assert store.shown().state[:2] == (0, 0)
        assert store.shown().tables["grades"]["grade"].tolist() == ["3"]
        store.check()
    assert list(found)[: len(DICTIONARY["grades"])] == list(DICTIONARY["grades"])
    assert found[["side", "scale", "part", "grade"]].to_numpy().tolist() == [
        ["left", "ossification", "whole", "3"]
    ]
    assert history["grade"].fillna("").tolist() == ["2", "not assessable", "3", ""]
    assert history["withdrawn"].tolist() == [False, False, False, True]
    assert (history["stored_at"].diff().dropna() >= pd.Timedelta(0)).all()
    assert history["marked_at"].equals(history["stored_at"])


def test_grades_of_a_file_come_in_once(place: str) -> None:
    rows = imported(grade(), grade(scale="cup_demarcation", grade="0"))
    with open_readings(place) as store:
        store.import_grades(rows, provenance=ORIGIN)
        assert store.imports()[["content", "n_rows"]].to_numpy().tolist() == [["grades", 2]]
        with pytest.raises(StudyError, match="a file that PI imported on"):
            store.import_grades(rows, provenance=ORIGIN)
        with pytest.raises(StudyError, match="no grades yet"):
            store.import_grades(rows, provenance={**ORIGIN, "sha256": sha256("changed")})
        assert (
            store.known("grades")
            .drop(columns="marked_at")
            .equals(rows[list(store.known("grades"))].drop(columns="marked_at").astype({"repeat": "Int64"}))
        )
        assert store.shown().imported["grades"] == {sha256("file")}


def test_an_item_is_not_finished_before_it_is_graded(place: str, set_clock: SetClock) -> None:
    task = "marks, gradings and grades"
    with open_readings(place) as store:
        store.write_worklist(
            make_worklist(IMAGES, readers=["R1"], repeat_share=0, seed=4, task=task),
            who="PI",
            washout_days=0,
        )
        item = store.next_item("R1")
        assert item["task"].tolist() == [task]
        item_id = item["item_id"].iloc[0]
        whose: dict[str, Any] = {
            "reader_id": "R1",
            "image_sha256": sha256(store.item_image(item_id)),
            "duration_s": 2.0,
        }
        with pytest.raises(StudyError, match=r"found no grade\. Expected a grade of every scale"):
            store.finish_item(item_id, **whose)
        stem = [said("stem_stability", part, "not assessable") for part in STABILITY]
        store.write_item(item_id, "grades", stem[:-1], **whose)
        with pytest.raises(StudyError, match="left, stem_stability: no grade of shed particles"):
            store.finish_item(item_id, **whose)
        store.write_item(item_id, "grades", stem[-1:], **whose)
        (number,) = store.item_history(item_id, reader_id="R1")["grades"]["grade_id"].tail(1)
        back = {**stem[-1], "grade": None, "supersedes": int(number), "withdrawn": True}
        store.write_item(item_id, "grades", [back], **whose)
        with pytest.raises(StudyError, match="no grade of shed particles"):  # taken back is not graded
            store.finish_item(item_id, **whose)
        assert store.progress()["n_finished"].tolist() == [0, 0][: len(store.progress())]
        store.finish_item(item_id, **whose, grades=None, remark="the stem's tip is cut off")
        item_id = store.next_item("R1")["item_id"].iloc[0]
        whose["image_sha256"] = sha256(store.item_image(item_id))
        store.finish_item(item_id, **whose, grades=pd.DataFrame([said(marked_at=set_clock.now)]))
        assert store.progress()["n_finished"].sum() == 2
        hidden = store.shown()
        assert (hidden.state.n_grades, hidden.state.n_grades_hidden) == (0, len(STABILITY))
        assert hidden.tables["grades"].empty
        lock = store.lock(who="PI")
        assert lock.n_grades == len(STABILITY)
        assert store.shown().state.n_grades == 0
        store.unblind(who="PI", reason="analysis")
        assert len(store.shown().tables["grades"]) == len(STABILITY)


def test_two_readers_who_grade_differently_go_to_a_third() -> None:
    rows = [
        grade(),
        grade(reader_id="R2", grade="3"),
        grade(reader_id="R2", grade="0", repeat=2),
        grade(side="right", grade="not assessable"),
        grade(side="right", grade="not assessable", reader_id="R2"),
        *(
            grade(scale="stem_fixation", part=p, grade="absent")
            for p in GRADING_SCALES["stem_fixation"].parts
        ),
        grade(scale="stem_fixation", part="bridges of bone", grade="absent", reader_id="R2"),
    ]
    found = grade_discrepancies(table(*rows))
    columns = ["part", "what", "zone", "first", "second", "reason"]
    assert found[columns].fillna("").to_numpy().tolist() == [
        ["left", "ossification", "whole", "2", "3", "grade"],
        ["right", "ossification", "whole", "not assessable", "not assessable", ""],
        ["left", "stem_fixation", "bridges of bone", "absent", "absent", ""],
        ["left", "stem_fixation", "lines at the porous part", "absent", "", "graded by one reader only"],
    ]
    listed = make_adjudication_list(found, IMAGES, reader_id="R3", seed=2, task="grades")
    assert listed[["image_id", "task", "role"]].to_numpy().tolist() == [["I01", "grades", "adjudication"]]


# By reference: the hash by its definition, from the rows as another program reads them --------------


def test_grades_are_under_the_seal(file_place: str) -> None:
    with open_readings(file_place) as store:
        store.write_marks(table(mark()))
        empty = store.shown().state.sha256
        store.write_grades(table(grade(), grade(side="right")))
        store.write_grades([grade(supersedes=1, grade="3")])
        lock = store.lock(who="PI")
    connection = sqlite3.connect(file_place)
    digests = []
    for condition in (None, "grade_id <> 1", "1"):
        lines = []
        for name, where in (("marks", "1"), ("gradings", "1"), ("grades", condition)):
            if where is not None:
                found = connection.execute(f"SELECT * FROM {name} WHERE {where} ORDER BY 1")
                lines += [[column[0] for column in found.description], *map(list, found)]
        text = "".join(json.dumps(line, separators=(",", ":")) + "\n" for line in lines)
        digests.append(hashlib.sha256(text.encode()).hexdigest())
    connection.close()
    assert [empty, lock.sha256, lock.history_sha256] == digests
    assert lock.n_grades == 2


# By law --------------------------------------------------------------------------------------------


def test_both_databases_give_the_same_hash(
    file_place: str, request: pytest.FixtureRequest, set_clock: SetClock
) -> None:
    locks = []
    for place in (file_place, request.getfixturevalue("server").address()):
        with open_readings(place) as store:
            store.write_grades(table(grade(reason="ä")))
            store.write_grades([grade(supersedes=1, grade=None, withdrawn=True)])
            store.write_gradings(table(grading()))
            locks.append(store.lock(who="PI"))
    assert locks[0] == locks[1]


def test_every_grade_of_every_scale_comes_back(file_place: str) -> None:
    rows = [
        grade(scale=scale, part=part, grade=one, repeat=number)
        for scale, known in GRADING_SCALES.items()
        for part in known.parts
        for number, one in enumerate(grades_of(scale, part), start=1)
    ]
    with open_readings(file_place) as store:
        store.write_grades(table(*rows))
        found = store.grades()
    assert found[["scale", "part", "grade"]].to_dict("records") == [
        {name: row[name] for name in ("scale", "part", "grade")} for row in rows
    ]


@pytest.mark.parametrize("first", TASKS)
@pytest.mark.parametrize("second", TASKS)
def test_a_reading_is_asked_for_once(first: str, second: str, file_place: str) -> None:
    """The database refuses the second of two items that ask one reader for the same of an image."""
    with open_readings(file_place) as store:
        listed = make_worklist(IMAGES, readers=["R1"], repeat_share=0, seed=4, task=first)
        store.write_worklist(listed, who="PI", washout_days=0)
    connection = sqlite3.connect(file_place)
    names = [name for name in METADATA.tables["items"].columns.keys() if name not in ("item_id", "task")]  # noqa: SIM118
    copied = f"INSERT INTO items (item_id, task, {', '.join(names)}) SELECT item_id || 'z', '{second}', "
    copied += f"{', '.join(names)} FROM items"
    if set(TASKS[first]) & set(TASKS[second]):
        with pytest.raises(sqlite3.IntegrityError, match="taken"):
            connection.execute(copied)
    else:
        assert connection.execute(copied).rowcount == 2
    connection.close()


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("other", "match"),
    [
        ({"scale": "mood"}, "scale: found 'mood'"),
        ({"part": "left"}, "part: found ossification, left. Expected one of whole"),
        ({"grade": "5"}, "grade: found 5 for ossification, whole. Expected one of 0, 1, 2, 3, 4, not"),
        ({"grade": 2}, "grade: found 2"),
        ({"grade": None}, "grade: found no value"),
        ({"grade": "=1"}, "grade: found '=1'"),
        ({"scale": "stem_fixation"}, "part: found stem_fixation, whole"),
        ({"side": "middle"}, "side"),
        ({"zone": "1"}, "unknown column zone"),
        ({"supersedes": 7}, "the grade_id of a stored row"),
        ({"withdrawn": True}, "the row that is withdrawn"),
        ({"withdrawn": True, "supersedes": 1}, "nothing in a row that is withdrawn"),
        ({"reader_id": "R1'; DROP TABLE grades; --"}, "reader_id"),
    ],
)
def test_wrong_grades(other: dict, match: str, file_place: str) -> None:
    with open_readings(file_place) as store:
        with pytest.raises(StudyError, match=match):
            store.write_grades(table(grade(**other)))
        assert store.grade_history().empty


def test_a_part_is_graded_once_in_a_reading(place: str) -> None:
    with open_readings(place) as store:
        with pytest.raises(StudyError, match="each one once in a table"):
            store.write_grades(table(grade(), grade(grade="3")))
        store.write_grades(table(grade()))
        with pytest.raises(StudyError, match="a row that is there already"):
            store.write_grades(table(grade(grade="3")))
        for other, match in (
            ({"side": "right"}, "the same side"),
            ({"scale": "cup_demarcation"}, "the same scale"),
            ({"reader_id": "R2"}, "the same reader_id"),
        ):
            with pytest.raises(StudyError, match=match):
                store.write_grades(table(grade(supersedes=1, **other)))
        store.write_grades(table(grade(supersedes=1, grade="3")))
        with pytest.raises(StudyError, match="nothing supersedes yet"):
            store.write_grades(table(grade(supersedes=1, grade="4")))


def test_the_database_itself_refuses(place: str, request: pytest.FixtureRequest) -> None:
    with open_readings(place) as store:
        store.write_grades(table(grade(), grade(side="right")))
    if place.startswith("postgresql"):
        server: Server = request.getfixturevalue("server")
        served = server.connect_to(place)
        run, close = served.run, served.close
    else:
        opened = sqlite3.connect(place, isolation_level=None)
        run, close = opened.execute, opened.close
    columns = [name for name in METADATA.tables["grades"].columns.keys() if name != "grade_id"]  # noqa: SIM118

    def copied(**other: str) -> str:
        values = ", ".join(other.get(name, name) for name in columns)
        return f"INSERT INTO grades ({', '.join(columns)}) SELECT {values} FROM grades WHERE grade_id = 1"

    for text, match in (
        ("UPDATE grades SET grade = '4'", "append-only"),
        ("DELETE FROM grades", "append-only"),
        (copied(), "(?i)taken|unique"),
        (copied(supersedes="2"), "foreign row"),
        (copied(supersedes="1", part="'other'"), "foreign row"),
        (copied(supersedes="1", grade="NULL"), "(?i)constraint"),
        (copied(supersedes="1", grade="''"), "(?i)constraint"),
    ):
        with pytest.raises(Exception, match=match):
            run(text)
    with open_readings(place) as store:
        store.lock(who="PI")
        with pytest.raises(StudyError, match="PI locked on"):
            store.write_grades(table(grade(image_id="I02")))
        with pytest.raises(StudyError, match="PI locked on"):
            store.import_grades(imported(grade(image_id="I02")), provenance=ORIGIN)
    with pytest.raises(Exception, match="cohortlib: locked"):
        run(copied(supersedes="1"))
    close()


def test_what_an_item_does_not_ask_for(file_place: str) -> None:
    listed = make_worklist(IMAGES, readers=["R1"], repeat_share=0, seed=4, task="grades")
    with open_readings(file_place) as store:
        store.write_worklist(listed, who="PI", washout_days=0)
        with pytest.raises(StudyError, match="readings that stand on no worklist"):
            store.write_grades(table(grade()))
        while len(item := store.next_item("R1")):
            item_id, sides = item.loc[0, ["item_id", "sides"]]
            whose = {"reader_id": "R1", "image_sha256": sha256(store.item_image(item_id)), "duration_s": 1.0}
            with pytest.raises(StudyError, match="marks of an item that asks for grades"):
                store.write_item(
                    item_id,
                    "marks",
                    [{"landmark": "teardrop", "side": "left", "x_px": 1.0, "y_px": 1.0}],
                    **whose,
                )
            if sides == "left":
                with pytest.raises(StudyError, match="a side that was not asked for"):
                    store.write_item(item_id, "grades", [said(side="right")], **whose)
            store.write_item(item_id, "grades", [said()], **whose)
            store.finish_item(item_id, **whose)
            with pytest.raises(StudyError, match="a new row of a finished item"):
                store.write_item(item_id, "grades", [said("cup_demarcation")], **whose)


def test_altered_grades_are_found_after_the_lock(file_place: str) -> None:
    with open_readings(file_place) as store:
        store.write_grades(table(grade()))
        store.lock(who="PI")
    connection = sqlite3.connect(file_place)
    (trigger,) = connection.execute(
        "SELECT sql FROM sqlite_master WHERE name = 'grades_no_update'"
    ).fetchone()
    connection.executescript(f"DROP TRIGGER grades_no_update; UPDATE grades SET grade = '0'; {trigger};")
    connection.close()
    with (
        open_readings(file_place) as store,
        pytest.raises(StudyError, match="Someone altered locked readings"),
    ):
        store.check()
