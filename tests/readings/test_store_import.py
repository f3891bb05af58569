"""Readings made elsewhere come in once, with where they come from and the times of their file."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pandas as pd
import pytest
from reading_rows import grading, mark, sha256, table

from cohortlib.errors import StudyError
from cohortlib.readings import file_provenance, open_readings
from cohortlib.tables import DICTIONARY

ORIGIN = {"file": "landmarks.csv", "sha256": sha256("file"), "who": "PI"}
DEMO = Path(__file__).parents[2] / "synthetic_cohort" / "tables" / "landmarks.csv"
TIMES = pd.to_datetime(["2031-02-01T09:00:00Z", "2031-02-01T11:00:05+01:00"], utc=True)


def imported(*rows: dict) -> pd.DataFrame:
    """As the table `landmarks` or `gradings` of a study."""
    return table(*rows).drop(columns=["duration_s", "image_sha256"]).assign(marked_at=TIMES[: len(rows)])


# By hand -------------------------------------------------------------------------------------------


def test_times_of_the_file_stand_beside_the_time_of_storing(place: str) -> None:
    with open_readings(place) as store:
        store.import_marks(imported(mark(), mark(x_px=3.0)), provenance=ORIGIN)
        store.write_marks(table(mark(reader_id="R2")))
        found = store.marks()
        imports = store.imports()
    assert found["claimed_at"].tolist() == [*TIMES, pd.NaT]
    assert found["marked_at"].tolist() == [*TIMES, found["stored_at"].iloc[2]]
    assert (found["stored_at"] > pd.Timestamp.now(tz="UTC") - pd.Timedelta(minutes=1)).all()
    assert found["import_id"].fillna(0).tolist() == [1, 1, 0]
    assert found["image_sha256"].isna().tolist() == [True, True, False]
    row = imports.iloc[0]
    assert row[["content", "file", "sha256", "n_rows", "who"]].tolist() == [
        "marks",
        "landmarks.csv",
        sha256("file"),
        2,
        "PI",
    ]


def test_gradings_and_what_more_is_known(place: str) -> None:
    rows = imported(grading(), grading(zone="2")).assign(duration_s=[3.0, None], image_sha256=sha256("I01"))
    with open_readings(place) as store:
        store.import_gradings(rows, provenance=ORIGIN)
        assert store.gradings()["duration_s"].fillna(-1).tolist() == [3.0, -1]
        store.write_gradings(table(grading(supersedes=1, state="complete")))  # corrected as any other
        assert store.gradings()["import_id"].fillna(0).tolist() == [1, 0]


def test_where_a_file_comes_from(tmp_path: Path) -> None:
    path = tmp_path / "marks of March.csv"
    path.write_bytes(b"a,b\n")
    assert file_provenance(path, who="PI") == {
        "file": "marks of March.csv",
        "sha256": hashlib.sha256(b"a,b\n").hexdigest(),
        "who": "PI",
    }


# By law: the table of a study comes back -----------------------------------------------------------


def test_the_demo_study_goes_in_and_comes_out(place: str) -> None:
    landmarks = pd.read_csv(DEMO, parse_dates=["marked_at"])
    landmarks["marked_at"] = landmarks["marked_at"].astype("datetime64[us, UTC]")
    with open_readings(place) as store:
        store.import_marks(landmarks, provenance=file_provenance(DEMO, who="PI"))
        found = store.marks()[list(DICTIONARY["landmarks"])]
    pd.testing.assert_frame_equal(found, landmarks.astype({"repeat": "Int64"}), check_dtype=True)


# By failure ----------------------------------------------------------------------------------------


def test_a_file_comes_in_once(file_place: str) -> None:
    rows = imported(mark())
    with open_readings(file_place) as store:
        store.import_marks(rows, provenance=ORIGIN)
        with pytest.raises(StudyError, match="a file that PI imported on"):
            store.import_marks(rows, provenance=ORIGIN)
        changed = {**ORIGIN, "sha256": sha256("changed")}
        with pytest.raises(StudyError, match=r"no marks yet\. Write corrections of the stored rows"):
            store.import_marks(rows.assign(x_px=1.0), provenance=changed)
        store.import_marks(rows.assign(reader_id="R2"), provenance=changed)
        assert store.imports()["n_rows"].tolist() == [1, 1]


@pytest.mark.parametrize(
    ("change", "provenance", "match"),
    [
        ({"marked_at": "2031-02-01"}, ORIGIN, "a time with its zone"),
        ({"marked_at": pd.Timestamp("2031-02-01")}, ORIGIN, "a time with its zone"),
        ({"marked_at": pd.NaT}, ORIGIN, "marked_at: found no value"),
        ({"x_px": None}, ORIGIN, "x_px: found no value"),
        ({"x_note": "a"}, ORIGIN, "unknown column x_note"),
        ({"supersedes": 1}, ORIGIN, "unknown column supersedes"),
        ({"side": "=1"}, ORIGIN, "landmarks.csv line 2, side: found '=1'"),
        ({}, {}, "provenance: found 'nothing'"),
        ({}, {**ORIGIN, "rows": "2"}, "file, sha256 and who"),
        ({}, {**ORIGIN, "sha256": "abc"}, "provenance sha256: found 'abc'"),
        ({}, {**ORIGIN, "file": "=cmd()"}, "provenance file"),
        ({}, {**ORIGIN, "who": "a b"}, "provenance who"),
        ({}, "landmarks.csv", "provenance: found 'landmarks.csv'"),
    ],
)
def test_wrong_imports(change: dict, provenance: dict, match: str, file_place: str) -> None:
    with open_readings(file_place) as store:
        with pytest.raises(StudyError, match=match):
            store.import_marks(imported(mark()).assign(**change), provenance=provenance)
        assert store.mark_history().empty
        assert store.imports().empty


@pytest.mark.parametrize("name", ["missing.csv", "a\0b", "."])
def test_a_file_that_cannot_be_read(name: str, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="Make the file readable"):
        file_provenance(tmp_path / name, who="PI")
