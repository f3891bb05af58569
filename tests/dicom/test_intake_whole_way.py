"""The whole way by the commands: hospital's folder or archive, key, study, tables, look at pixels, export."""

from __future__ import annotations

import csv
import datetime
import io
import os
import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pydicom
import pytest
from archive_server import PASSWORD, USER, archive, fill
from hospital_files import ct_slice, hospital_film, identity, uid, written
from hypothesis import given
from hypothesis import strategies as st
from small_study_files import SMALL_STUDY, small_study_text

from cohortlib.__main__ import main
from cohortlib.commands.pixels import image_numbers
from cohortlib.study import read_study

#: What the hospital has: two patients of the study with films on the days of their visits, one four days
#: late, a CT, a patient who is not of the study, and junk.
DAYS = {
    "KH-7741": [datetime.date(2030, 1, 2), datetime.date(2030, 2, 25), datetime.date(2031, 1, 10)],
    "KH-8852": [datetime.date(2030, 1, 20), datetime.date(2030, 3, 15)],
}
PATIENTS = {"KH-7741": "P01", "KH-8852": "P02", "KH-9963": "P03"}
CT_DAY = datetime.date(2030, 3, 15)


def hospital_files() -> dict[str, bytes]:
    films = {
        f"{number}/Quistorp {day}.dcm": hospital_film(day, hospital_id=number)
        for number, days in DAYS.items()
        for day in days
    }
    slices = {
        f"KH-8852/CT/{z}": ct_slice(
            (0, 0, z),
            **{
                **identity(CT_DAY, hospital_id="KH-8852", image=f"CT {z}"),
                "Modality": "CT",
                "SeriesInstanceUID": uid("CT series"),
            },
        )
        for z in range(4)
    }
    return films | slices


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """hospital/, own/ with the list of patients, dated/ with the hospital's dates, study/ with study.toml."""
    written(tmp_path / "hospital", hospital_files())
    written(tmp_path / "hospital", {"notes.txt": b"Quistorp", "x.dcm": hospital_film(hospital_id="KH-1")})
    for name in SMALL_STUDY:
        if not name.endswith(("images.csv", "landmarks.csv")):
            written(tmp_path / "dated", {name: small_study_text(name).encode()})
    written(tmp_path / "study", {"study.toml": small_study_text("study.toml").encode()})
    lines = "".join(f"{number},{patient}\n" for number, patient in PATIENTS.items())
    written(tmp_path / "own", {"patients.csv": f"hospital_id,patient_id\n{lines}".encode()})
    return tmp_path


def intake(place: Path, *options: str) -> int:
    folders = (str(place / "hospital"), str(place / "study"))
    return main(["intake", *folders, "--key", str(place / "own" / "key.json"), *options])


def patients(place: Path) -> tuple[str, str]:
    return "--patients", str(place / "own" / "patients.csv")


def move_dates(place: Path) -> int:
    folders = (str(place / "dated"), str(place / "study"))
    return main(["move-dates", *folders, "--key", str(place / "own" / "key.json")])


def answers(monkeypatch: pytest.MonkeyPatch, *given: str) -> None:
    waiting = iter(given)
    monkeypatch.setattr("builtins.input", lambda _: next(waiting))


def pixels(place: Path, *options: str) -> int:
    return main(["pixels", str(place / "study"), "--reader", "R1", *options])


def export(place: Path) -> int:
    return main(["export", str(place / "study"), str(place / "for others")])


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def rows_of(table: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(table.read_text())))


@pytest.fixture
def taken_in(place: Path) -> Path:
    """The study with images, moved tables, and the proposed rows taken over."""
    assert intake(place, *patients(place)) == 1  # notes.txt and a patient of somebody else
    assert move_dates(place) == 0
    assert intake(place) == 1
    shutil.copy(place / "study/derived/proposed_images.csv", place / "study/tables/images.csv")
    return place


# by hand: from the hospital's folder to images for others


def test_the_whole_way(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    before = contents(place / "hospital")
    found = place / "own" / "found.csv"
    assert main(["images", str(place / "hospital"), "--csv", str(found)]) == 1
    printed = capsys.readouterr().out
    assert "3 patients, 7 series, 10 images; 1 file that cannot be used." in printed
    assert re.search(r"1  no DICOM file header\n +notes.txt", printed)
    series = pd.read_csv(found)
    assert series.loc[series["modality"] == "CT", "slice_spacing_mm"].tolist() == [1]
    assert len(pd.read_csv(found.with_name("found_files.csv"))) == 11

    assert intake(place, *patients(place)) == 1
    printed = capsys.readouterr().out
    assert "9 images of 2 patients; 2 files refused." in printed
    assert "notes.txt" in printed
    assert "KH-" not in printed
    assert (place / "own" / "key.json").stat().st_mode & 0o077 == 0
    assert move_dates(place) == 0
    assert "data_cut in study.toml is no day of the moved dates" in capsys.readouterr().out
    assert intake(place) == 1

    proposed = place / "study/derived/proposed_images.csv"
    rows = rows_of(proposed)
    assert [(row["patient_id"], row["visit_id"], row["kind"]) for row in rows] == [
        ("P01", "before", "radiograph"),
        ("P01", "week_6", "radiograph"),
        ("P01", "month_12", "radiograph"),
        ("P02", "before", "radiograph"),
        ("P02", "week_6", "CT"),
        ("P02", "week_6", "radiograph"),
    ]
    assert [bool(row["taken_on"]) for row in rows] == [False, True, False, False, False, False]
    assert not (place / "study/tables/images.csv").exists()  # a person decides
    shutil.copy(proposed, place / "study/tables/images.csv")
    assert main(["check", str(place / "study"), "--images"]) == 0
    assert len(read_study(place / "study").images) == 6
    assert main(["private", str(place / "study")]) == 0
    capsys.readouterr()

    assert export(place) == 1
    assert capsys.readouterr().err.count("an image that nobody looked at") == 9
    answers(monkeypatch, "2", "", "yes")
    assert pixels(place) == 0
    assert export(place) == 0
    assert "9 images, 1 of them with masked bands." in capsys.readouterr().out
    images, exported = contents(place / "study/images"), contents(place / "for others")
    assert list(images) == list(exported)
    changed = [path for path in images if images[path] != exported[path]]
    assert len(changed) == 1
    masked = pydicom.dcmread(io.BytesIO(exported[changed[0]])).pixel_array
    assert np.ptp(masked[: masked.shape[0] // 10 + 1]) == 0
    assert contents(place / "hospital") == before
    shared = b"".join(contents(place / "study").values()) + b"".join(exported.values())
    for word in (b"Quistorp", b"KH-", b"20300102", b"2030-01-02", b"Obermarkt"):
        assert word not in shared


def test_from_an_archive(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COHORT_ARCHIVE_USER", USER)
    monkeypatch.setenv("COHORT_ARCHIVE_PASSWORD", PASSWORD)
    with archive(place / "archive") as address:
        fill(address, [*hospital_files().values(), hospital_film(hospital_id="KH-1")])
        shutil.rmtree(place / "hospital")
        asked = ["fetch", f"{address}/dicom-web", str(place / "hospital"), *patients(place)]
        assert main(asked) == 1  # of P03 the archive has nothing
        printed = capsys.readouterr().out
        assert "9 images fetched, 0 there already." in printed
        assert "KH-9963" not in printed
        assert main([*asked, "--modality", "DX", "--first", "2030-03-01", "--last", "2031-12-31"]) == 1
        assert "0 images fetched, 2 there already." in capsys.readouterr().out
    assert intake(place, *patients(place)) == 0
    assert "9 images of 2 patients; 0 files refused." in capsys.readouterr().out


# by law


def test_every_interval_of_a_patient_is_that_of_the_hospital(taken_in: Path) -> None:
    old, new = read_study(taken_in / "dated"), read_study(taken_in / "study")
    assert (old.visits["days"] == new.visits["days"]).all()
    assert (old.visits["date"] != new.visits["date"]).all()
    moved = new.hips["surgery_date"] - old.hips["surgery_date"]
    of = dict(zip(new.hips["patient_id"], moved, strict=True))
    films = new.images[new.images["kind"] == "radiograph"]
    days = [pydicom.dcmread(taken_in / "study" / path).StudyDate for path in films["path"]]
    back = pd.to_datetime(days) - films["patient_id"].map(of).array
    assert [day.date() for day in back] == [day for number in DAYS for day in DAYS[number]]
    ages = new.hips["surgery_date"].dt.year - new.hips["patient_id"].map(
        new.patients.set_index("patient_id")["birth_year"]
    )
    before = old.hips["surgery_date"].dt.year - old.hips["patient_id"].map(
        old.patients.set_index("patient_id")["birth_year"]
    )
    assert (ages - before).abs().max() <= 1


def test_again_changes_nothing(taken_in: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = contents(taken_in / "study/images"), contents(taken_in / "study/tables")
    capsys.readouterr()
    assert intake(taken_in) == 1
    assert "images.csv names every image." in capsys.readouterr().out
    assert not (taken_in / "study/derived/proposed_images.csv").exists()
    assert move_dates(taken_in) == 0
    assert (contents(taken_in / "study/images"), contents(taken_in / "study/tables")) == before


def test_new_rows_go_on_where_the_table_ends(taken_in: Path) -> None:
    day = datetime.date(2030, 3, 22)
    written(taken_in / "hospital", {"new.dcm": hospital_film(day, hospital_id="KH-9963")})
    intake(taken_in)
    rows = rows_of(taken_in / "study/derived/proposed_images.csv")
    # P03 was operated on 2030-03-15: seven days later there is no visit, and the person decides
    assert [(row["image_id"], row["patient_id"], row["visit_id"]) for row in rows] == [("I0007", "P03", "")]


def test_a_stop_is_kept_and_goes_on(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    replace, count = os.replace, iter(range(99))

    def stopped(*paths: str) -> None:
        if next(count) == 4:  # the key, then three images
            raise KeyboardInterrupt
        replace(*paths)

    monkeypatch.setattr(os, "replace", stopped)
    assert intake(place, *patients(place)) == 130
    monkeypatch.undo()
    first = contents(place / "study/images")
    assert len(first) == 3
    assert intake(place) == 1
    assert first.items() <= contents(place / "study/images").items()
    assert len(contents(place / "study/images")) == 9


def test_looks_are_taken_page_by_page(
    taken_in: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    record = taken_in / "study" / "pixel_checks.csv"
    answers(monkeypatch, "1", "2-3", "no")
    assert pixels(taken_in, "--at-once", "4") == 1
    assert "6 images left" in capsys.readouterr().out
    findings = pd.read_csv(record)["finding"].tolist()
    assert findings == ["text at the top or bottom", "text elsewhere", "text elsewhere"]
    assert not [path for path in (taken_in / "study/derived").iterdir() if path.name.startswith("pixel")]
    answers(monkeypatch, "", "x", "9", "", "yes")  # two answers that are none are asked again
    assert pixels(taken_in, "--at-once", "4") == 1
    answers(monkeypatch, "", "", "yes")
    assert pixels(taken_in) == 0
    assert len(pd.read_csv(record)) == 9
    assert export(taken_in) == 1  # text elsewhere never leaves
    assert "found text elsewhere" in capsys.readouterr().err


@given(numbers=st.lists(st.integers(1, 50), max_size=9))
def test_numbers_in_an_answer(numbers: list[int]) -> None:
    assert image_numbers(", ".join(map(str, numbers)), 50) == numbers
    assert image_numbers("  ".join(f"{n}-{n}" for n in numbers), 50) == numbers


# by failure


@pytest.mark.parametrize(
    "where", ["study/key.json", "study/images/key.json", "dated/key.json", "shared/key.json"]
)
def test_a_key_that_would_be_shared(place: Path, where: str, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "shared" / ".git").mkdir(parents=True)
    before = contents(place)
    folders = (str(place / "hospital"), str(place / "study"))
    assert main(["intake", *folders, "--key", str(place / where), *patients(place)]) == 1
    assert "found a key within" in capsys.readouterr().err
    assert contents(place) == before


@pytest.mark.parametrize("command", ["intake", "move-dates"])
def test_without_a_key(place: Path, command: str, capsys: pytest.CaptureFixture[str]) -> None:
    source = "hospital" if command == "intake" else "dated"
    key = place / "own" / "none.json"
    assert main([command, str(place / source), str(place / "study"), "--key", str(key)]) == 1
    assert "no such key" in capsys.readouterr().err or command == "move-dates"
    assert list(contents(place / "study")) == ["study.toml"]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("hospital_id\nKH-1\n", "a header without hospital_id and patient_id"),
        ("hospital_id;patient_id\nKH-1;\n", "line 2: found a cell that is empty"),
        ("hospital_id,patient_id\nKH-1,P01\nKH-1,P02\n", "line 3: found a hospital number that had another"),
        ("hospital_id,patient_id\n", "no patient"),
        ("hospital_id,patient_id\nKH-1,../P\n", "found '../P'"),
        ("hospital_id,patient_id\nKH-1,\xe4\n".encode("latin-1"), "a file that is not UTF-8"),
        (None, "no such file"),
    ],
)
def test_a_list_of_patients_that_is_none(
    place: Path, text, found: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = place / "own" / "patients.csv"
    path.unlink()
    if text is not None:
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
    assert intake(place, *patients(place)) == 1
    error = capsys.readouterr().err
    assert found in error
    assert "KH-1" not in error
    assert list(contents(place / "study")) == ["study.toml"]


def test_what_names_patients_is_kept_out_of_the_study(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(place / "own/patients.csv", place / "study/patients.csv")
    assert intake(place, "--patients", str(place / "study/patients.csv")) == 1
    assert "a list of hospital numbers within the study folder" in capsys.readouterr().err
    assert intake(place, *patients(place), "--csv", str(place / "study/files.csv")) == 1
    assert "a table of the hospital's files within the study folder" in capsys.readouterr().err
    asked = ["fetch", "https://archive.example/dicom-web", str(place / "study/originals"), *patients(place)]
    assert main(asked) == 1
    assert "images that name the patient within the study folder" in capsys.readouterr().err


def test_a_folder_that_is_no_study(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "study/study.toml").unlink()
    assert intake(place, *patients(place)) == 1
    assert "a folder without study.toml" in capsys.readouterr().err
    assert contents(place / "study") == {}


def test_a_date_in_a_text_stops_the_moving(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = place / "dated/tables/patients.csv"
    lines = path.read_text().splitlines()
    path.write_text(
        "\n".join([lines[0] + ",x_note", *(line + ",seen on 2030-01-02" for line in lines[1:])]) + "\n"
    )
    assert intake(place, *patients(place)) == 1
    assert move_dates(place) == 1
    assert "tables/patients.csv, x_note: found a text with a date in it (3 rows)" in capsys.readouterr().err
    assert not (place / "study/tables").exists()


def test_a_table_that_is_there_is_not_replaced(taken_in: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = taken_in / "study/tables/visits.csv"
    path.write_text(path.read_text().replace("before", "week_6"))
    before = contents(taken_in / "study")
    assert move_dates(taken_in) == 1
    assert "tables/visits.csv: found another table at this place" in capsys.readouterr().err
    assert contents(taken_in / "study") == before


def test_nobody_at_the_keyboard(
    taken_in: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert pixels(taken_in) == 1
    assert "nobody at the keyboard" in capsys.readouterr().err
    assert not (taken_in / "study/pixel_checks.csv").exists()


@pytest.mark.parametrize("options", [("--band", "0.6"), ("--band", "0"), ("--at-once", "0")])
def test_a_look_that_is_none(
    taken_in: Path, options: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert pixels(taken_in, *options) == 1
    assert options[0] in capsys.readouterr().err
    assert not (taken_in / "study/pixel_checks.csv").exists()


def test_hostile_names_never_reach_a_terminal(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    film = hospital_film(DAYS["KH-8852"][0], hospital_id="KH-8852", image="9")
    written(place / "hospital", {"a\n\x1b[31mred": film, "b\n\x1b[31mred": b"junk"})
    assert main(["images", str(place / "hospital")]) == 1
    assert intake(place, *patients(place)) == 1
    printed = capsys.readouterr().out
    assert "b??[31mred" in printed
    assert "\x1b" not in printed


@pytest.mark.parametrize("answer", ["0", "6", "1-", "3-2", "a", "1-9", "-1", "1.5", "99999"])
def test_an_answer_that_is_none(answer: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011  (asked again by the command)
        image_numbers(answer, 5)
