"""The key: kept apart from the study, readable by its owner, never changed for a patient who is in it."""

import datetime
import json
import os
import stat

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cohortlib.dicom.deidentification.key import Key, read_key, write_key
from cohortlib.dicom.deidentification.tables import moved_dates
from cohortlib.errors import StudyError


@pytest.fixture
def study(tmp_path):
    folder = tmp_path / "study"
    (folder / "images").mkdir(parents=True)
    (folder / "study.toml").write_text("")
    return folder


@pytest.fixture
def path(tmp_path):
    folder = tmp_path / "own"
    folder.mkdir()
    return folder / "key.json"


# by hand


def test_a_new_key(study, path):
    write_key(path, {"KH-1": "P001", "KH-2": "P002"}, study_folder=study)
    key = read_key(path, study_folder=study)
    assert {number: study_id for number, (study_id, _) in key.patients.items()} == {
        "KH-1": "P001",
        "KH-2": "P002",
    }
    assert all(-3650 < days <= -100 for _, days in key.patients.values())
    assert len(key.secret) == 32
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert os.listdir(path.parent) == ["key.json"]


def test_the_mode_does_not_depend_on_what_the_system_allows(study, path):
    before = os.umask(0)
    try:
        write_key(path, {"KH-1": "P001"}, study_folder=study)
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_patients_are_added_and_the_others_stay(study, path):
    write_key(path, {"KH-1": "P001"}, study_folder=study)
    first = read_key(path, study_folder=study)
    write_key(path, {"KH-2": "P002", "KH-1": "P001"}, study_folder=study)
    second = read_key(path, study_folder=study)
    assert second.secret == first.secret
    assert second.patients["KH-1"] == first.patients["KH-1"]
    assert list(second.patients) == ["KH-1", "KH-2"]


def test_a_patient_with_two_hospital_numbers_has_one_shift(study, path):
    write_key(path, {"KH-1": "P001"}, study_folder=study)
    write_key(path, {"OTHER-7": "P001"}, study_folder=study)
    key = read_key(path, study_folder=study)
    assert key.patients["KH-1"] == key.patients["OTHER-7"]


def test_the_folder_of_the_key_is_made(study, tmp_path):
    place = tmp_path / "new" / "folder" / "key.json"
    write_key(place, {"KH-1": "P.1"}, study_folder=study)  # an id as the tables may have it
    assert read_key(place, study_folder=study).patients["KH-1"][0] == "P.1"
    (tmp_path / "file").write_text("")
    with pytest.raises(StudyError, match="a folder that cannot be written to"):
        write_key(tmp_path / "file" / "key.json", {"KH-1": "P1"}, study_folder=study)


def test_a_key_shows_nothing(study, path):
    write_key(path, {"KH-1": "P001"}, study_folder=study)
    key = read_key(path, study_folder=study)
    assert repr(key) == str(key) == "Key()"


def test_dates_of_tables_move_with_the_images(study, path):
    write_key(path, {"KH-1": "P001", "KH-2": "P002"}, study_folder=study)
    days = dict(read_key(path, study_folder=study).patients.values())
    dates = pd.Series(pd.to_datetime(["2030-01-10", None, "2030-02-01"]), index=[5, 6, 9])
    patients = pd.Series(["P001", "P001", "P002"], index=[5, 6, 9])
    moved = moved_dates(dates, patients, key=path, study_folder=study)
    assert (moved - dates).dt.days.tolist()[::2] == [days["P001"], days["P002"]]
    assert moved.isna().tolist() == [False, True, False]


# by law


@given(one=st.text(min_size=1), other=st.text(min_size=1), secret=st.binary(min_size=32, max_size=32))
def test_a_new_uid_is_a_uuid_and_the_same_every_time(one, other, secret):
    # DICOM PS3.5 B.2: 2.25. and a UUID as a number; at most 64 characters
    key = Key(secret, {})
    new = key.uid(one)
    assert new.startswith("2.25.")
    assert len(new) <= 64
    number = int(new.removeprefix("2.25."))
    assert (number >> 76) % 16 == 4
    assert (number >> 62) % 4 == 2
    assert key.uid(one) == new
    assert (key.uid(other) == new) == (one == other)


@given(
    dates=st.lists(st.dates(datetime.date(1920, 1, 1), datetime.date(2100, 1, 1)), min_size=2, max_size=2),
    days=st.integers(-3650, -1),
)
def test_intervals_stay(dates, days):
    key = Key(b"", {"KH-1": ("P001", days)})
    first, second = (key.date(date, "KH-1") for date in dates)
    assert second - first == dates[1] - dates[0]


# by failure


@pytest.mark.parametrize("place", ["key.json", "derived/key.json", "images/key.json"])
def test_a_key_in_the_study_is_refused(study, place):
    (study / "derived").mkdir()
    for folder in (study, study / "images"):
        with pytest.raises(StudyError, match="a key within the study folder"):
            write_key(study / place, {"KH-1": "P001"}, study_folder=folder)
        assert not (study / place).exists()


def test_a_study_that_has_no_study_toml_yet_keeps_no_key(study):
    (study / "study.toml").unlink()
    with pytest.raises(StudyError, match="a key within the study folder"):
        write_key(study / "key.json", {"KH-1": "P001"}, study_folder=study)


def test_a_link_does_not_hide_where_the_key_is(study, tmp_path):
    (tmp_path / "own").symlink_to(study)
    with pytest.raises(StudyError, match="a key within the study folder"):
        write_key(tmp_path / "own" / "key.json", {"KH-1": "P001"}, study_folder=study)


def test_a_key_in_another_study_or_under_version_control_is_refused(study, tmp_path):
    (tmp_path / "repository" / ".git").mkdir(parents=True)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "study.toml").write_text("")
    with pytest.raises(StudyError, match="a key within a folder under version control"):
        write_key(tmp_path / "repository" / "key.json", {"KH-1": "P001"}, study_folder=study)
    with pytest.raises(StudyError, match="a key within the study folder"):
        write_key(tmp_path / "other" / "key.json", {"KH-1": "P001"}, study_folder=study)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o666])
def test_a_key_that_others_may_read_is_refused(study, path, mode):
    write_key(path, {"KH-1": "P001"}, study_folder=study)
    path.chmod(mode)
    with pytest.raises(StudyError, match=r"a key that others may read.*chmod 600"):
        read_key(path, study_folder=study)


@pytest.mark.parametrize(
    ("patients", "found"),
    [
        ({"KH-1": "P 1"}, "found P 1"),
        ({"KH-1": "../P1"}, r"found '\.\./P1'"),
        ({"KH-1": "=P1"}, "found '=P1'"),
        ({"KH-1": ""}, "found no study number"),
        ({" ": "P001"}, "no hospital number for P001"),
        ({"KH-1 ": "P001"}, "no hospital number for P001, or one with blanks"),
        ({"KH-1": "KH-1"}, "KH-1, which is a hospital number as well"),
        ({"KH-1": "P002", "P002": "P003"}, "P002, which is a hospital number as well"),
        ({"KH-0": "P009"}, "P009 for a patient who is P000 already"),
        ({"KH-9": "KH-0"}, "KH-0, which is a hospital number as well"),
    ],
)
def test_wrong_patients_change_nothing(study, path, patients, found):
    write_key(path, {"KH-0": "P000"}, study_folder=study)
    before = path.read_bytes()
    with pytest.raises(StudyError, match=found):
        write_key(path, patients, study_folder=study)
    assert path.read_bytes() == before


def changed(content, **changes):
    return json.dumps({**json.loads(content), **changes}).encode()


@pytest.mark.parametrize(
    "change",
    [
        lambda content: b"",
        lambda content: content[:-40],
        lambda content: b"[]",
        lambda content: b"[" * 100_000,
        lambda content: changed(content, kind="other"),
        lambda content: changed(content, secret="00"),
        lambda content: changed(content, secret=7),
        lambda content: changed(content, patients=[]),
        lambda content: changed(content, patients={"KH-1": {"patient_id": "P1", "shift_days": 0}}),
        lambda content: changed(content, patients={"KH-1": {"patient_id": "../x", "shift_days": -200}}),
        lambda content: changed(content, patients={"KH-1": {"patient_id": "P1"}}),
        lambda content: changed(content, patients={"KH-1": {"patient_id": "P1", "shift_days": -1e9}}),
    ],
)
def test_a_damaged_key_is_refused_without_its_content(study, path, change):
    write_key(path, {"KH-1": "P001"}, study_folder=study)
    path.write_bytes(change(path.read_bytes()))
    with pytest.raises(StudyError, match="found a file that is no key") as caught:
        read_key(path, study_folder=study)
    assert "KH-1" not in str(caught.value)
    with pytest.raises(StudyError):
        write_key(path, {"KH-2": "P002"}, study_folder=study)  # a damaged key is never written over


def test_no_key(study, path):
    with pytest.raises(StudyError, match="no key that can be read"):
        read_key(path, study_folder=study)


def test_a_patient_whom_the_key_does_not_know(study, path):
    write_key(path, {"KH-1": "P001"}, study_folder=study)
    dates = pd.Series(pd.to_datetime(["2030-01-10"]))
    with pytest.raises(StudyError, match="found 'P404'"):
        moved_dates(dates, pd.Series(["P404"]), key=path, study_folder=study)
