"""What must not be shared is found: in tables, headers, notebooks and in what git is about to commit."""

from __future__ import annotations

import datetime
import gzip
import shutil
import subprocess
import sys
import tarfile
import zipfile
from io import BytesIO
from pathlib import Path

import numpy as np
import openpyxl
import pydicom
import pytest
from private_files import IMAGE, READ, TEXT, notebook

from cohortlib.__main__ import main
from cohortlib.commands.private import privacy_problems
from cohortlib.dicom.deidentification.key import write_key
from cohortlib.errors import StudyError
from cohortlib.synthetic.dx import write_dx
from cohortlib.synthetic.recipe import FilmRecipe

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def film_bytes(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    recipe = FilmRecipe(seed=1, implants=())
    pixels = np.zeros((recipe.rows, recipe.columns), np.uint16)
    path = tmp_path_factory.mktemp("film") / "film.dcm"
    day = datetime.date(2031, 3, 9)
    write_dx(path, pixels, recipe, patient_id="P01", image_id="I1", study_date=day, seed=1)
    return path.read_bytes()


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """A study folder that is not invented, and holds nothing that identifies."""
    files = {
        "study.toml": 'title = "Real"\nsynthetic = false\n',
        "tables/patients.csv": "patient_id,sex,birth_year\nP01,female,1970\nP02,male,1965\n",
        "tables/visits.csv": "patient_id,visit_id,date\nP01,before,2030-01-02\nP02,before,2030-01-20\n",
    }
    for name, text in files.items():
        path = tmp_path / "work" / "study" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return tmp_path / "work" / "study"


def git(place: Path, *arguments: str) -> None:
    identity = ("-c", "user.name=Test", "-c", "user.email=test@example.org")
    subprocess.run(["git", "-C", place, *identity, *arguments], check=True, capture_output=True)


@pytest.fixture
def repository(study: Path) -> Path:
    """A repository with the study in it; nothing is committed yet."""
    if not shutil.which("git"):
        pytest.skip("git is not installed")
    git(study.parent, "init")
    (study.parent / ".gitignore").write_text("*.dcm\n")
    git(study.parent, "add", ".")
    return study.parent


def found(place: Path) -> list[tuple[str, str, str]]:
    table = privacy_problems(place)
    return list(zip(table["file"], table["column"], table["found"], strict=True))


# by hand


def test_nothing_is_found_where_nothing_is(
    study: Path, repository: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert found(study) == []
    assert found(repository) == []
    assert main(["private", str(repository)]) == 0
    assert "nothing found that identifies a patient" in capsys.readouterr().out


def test_the_project_itself_is_private() -> None:
    if not (ROOT / ".git").exists() or not shutil.which("git"):
        pytest.skip("no repository, or no git")
    assert found(ROOT) == []


def test_columns_that_identify(study: Path) -> None:
    (study / "tables" / "patients.csv").write_text(
        "patient_id;Surname;Date of Birth\nP01;Quistorp;17.11.1948\nP02;;\n"
    )
    assert found(study) == [
        ("tables/patients.csv", "Surname", "a column that identifies"),
        ("tables/patients.csv", "Date of Birth", "a column that identifies"),
    ]
    table = privacy_problems(study)
    assert (table["line"].tolist(), table["count"].tolist()) == ([2, 2], [1, 1])
    assert "Quistorp" not in table.to_string()


def test_a_date_of_birth_under_another_name(study: Path) -> None:
    # P01 was born in 1970
    (study / "tables" / "hips.csv").write_text(
        "hip_id,patient_id,x_since\nH1,P01,1970-04-23\nH2,P02,2030-04-23\n"
    )
    assert found(study) == [("tables/hips.csv", "x_since", "a date in the birth year of its patient")]


def test_a_header_that_identifies(study: Path, film_bytes: bytes) -> None:
    film = pydicom.dcmread(BytesIO(film_bytes))
    film.PatientName, film.PatientBirthDate, film.ReferringPhysicianName = (
        "Quistorp^W",
        "19481117",
        "Ferrante^I",
    )
    film.add_new(0x00111010, "LO", "Quistorp")
    (study / "images").mkdir()
    film.save_as(study / "images" / "one")
    (study / "images" / "two.dcm").write_bytes(film_bytes)  # P01, no name: the study's own number
    table = privacy_problems(study)
    assert set(table["file"]) == {"images/one"}
    assert table["column"].tolist() == [
        "Patient's Birth Date (0010,0030)",
        "Referring Physician's Name (0008,0090)",
        "Patient's Name (0010,0010)",
        "private elements",
    ]
    assert "Quistorp" not in table.to_string()


def test_a_patient_who_is_not_of_the_study(study: Path, film_bytes: bytes) -> None:
    (study / "tables" / "patients.csv").write_text("patient_id,sex\nP77,male\n")
    (study / "film").write_bytes(film_bytes)
    assert found(study) == [("film", "Patient ID (0010,0020)", "a value that identifies")]


def test_a_dicom_file_that_is_staged(repository: Path, film_bytes: bytes) -> None:
    (repository / "figures").mkdir()
    (repository / "figures" / "picture.png").write_bytes(film_bytes)
    (repository / "study" / "film.dcm").write_bytes(film_bytes)
    git(repository, "add", "--force", ".")
    what = "a DICOM file in a repository"
    assert found(repository) == [("figures/picture.png", "", what), ("study/film.dcm", "", what)]
    (repository / "study" / "film.dcm").unlink()  # deleted, but still to be committed
    assert ("study/film.dcm", "", what) in found(repository)
    git(repository, "commit", "--message", "films")
    assert ("figures/picture.png", "", what) in found(repository)


def test_a_dicom_file_that_waits_to_be_added(repository: Path, film_bytes: bytes) -> None:
    (repository / "film").write_bytes(film_bytes)
    (repository / "ignored.dcm").write_bytes(film_bytes)
    assert found(repository) == [("film (not staged)", "", "a DICOM file in a repository")]


def test_a_dicom_file_in_an_archive_of_files(repository: Path, film_bytes: bytes) -> None:
    for name, content in (("data", film_bytes), ("other", b"text")):
        (repository / "inner").write_bytes(content)
        with zipfile.ZipFile(repository / f"{name}.zip", "w") as archive:
            archive.write(repository / "inner", "a/b")
        for ending, mode in (("tar", "w"), ("tar.gz", "w:gz")):
            with tarfile.open(repository / f"{name}.{ending}", mode) as packed:
                packed.add(repository / "inner", "a/b")
        (repository / f"{name}.gz").write_bytes(gzip.compress(content))
    (repository / "inner").unlink()
    git(repository, "add", ".")
    what = "a DICOM file in a repository"
    assert found(repository) == [(f"data.{ending}", "", what) for ending in ("gz", "tar", "tar.gz", "zip")]


def test_a_dicom_file_without_the_header_of_a_file(repository: Path, film_bytes: bytes) -> None:
    (repository / "old").write_bytes(film_bytes[132:])
    git(repository, "add", ".")
    assert found(repository) == [("old", "", "a DICOM file in a repository")]


def test_a_key_is_found_wherever_it_lies(study: Path, repository: Path, tmp_path: Path) -> None:
    key = write_key(tmp_path / "key.json", {"KH-1": "P01"}, study_folder=study)
    shutil.copy(key, repository / "notes.txt")
    shutil.copy(key, study / "derived.json")
    what = "the key that leads back to the patients"
    assert found(repository) == [
        ("notes.txt (not staged)", "", what),
        ("study/derived.json (not staged)", "", what),
    ]
    assert found(study)[0][2] == what


def test_a_file_that_was_changed_after_it_was_staged(repository: Path) -> None:
    path = repository / "study" / "tables" / "visits.csv"
    path.write_text("patient_id,surname\nP01,Quistorp\n")
    changed = ("study/tables/visits.csv (not staged)", "surname", "a column that identifies")
    assert found(repository) == [changed]
    git(repository, "add", ".")
    path.write_text("patient_id\nP01\n")
    assert found(repository) == [("study/tables/visits.csv", "surname", "a column that identifies")]


def test_a_workbook_that_identifies(study: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["patient_id", "date"])
    hidden = book.create_sheet("old list")
    hidden.sheet_state = "hidden"
    for row in ([], ["patient_id", "Geburtsdatum", "x_since"], ["P01", "x", datetime.date(1970, 4, 23)]):
        hidden.append(row)
    book.save(study / "tables.xlsx")
    assert found(study) == [
        ("tables.xlsx", "old list: Geburtsdatum", "a column that identifies"),
        ("tables.xlsx", "old list: x_since", "a date in the birth year of its patient"),
    ]
    (study / "tables.xlsx").write_bytes(b"PK\x03\x04 no workbook")
    assert found(study) == [("tables.xlsx", "", "a workbook that cannot be looked into")]


def test_a_name_in_a_sequence_of_a_header(study: Path, film_bytes: bytes) -> None:
    film, item = pydicom.dcmread(BytesIO(film_bytes)), pydicom.Dataset()
    item.ScheduledPerformingPhysicianName, item.PersonName = "Ferrante^I", "Quistorp^W"
    item.add_new(0x00111010, "LO", "Quistorp")
    film.RequestAttributesSequence = [item]
    film.save_as(study / "film")
    assert [column for _, column, _ in found(study)] == [
        "Scheduled Performing Physician's Name (0040,0006)",
        "Person Name (0040,A123)",
        "private elements",
    ]


def test_images_that_git_ignores_are_looked_at_in_a_study(repository: Path, film_bytes: bytes) -> None:
    film = pydicom.dcmread(BytesIO(film_bytes))
    film.PatientName = "Quistorp^W"
    film.save_as(repository / "study" / "ignored.dcm")
    assert found(repository) == [
        ("study/ignored.dcm", "Patient's Name (0010,0010)", "a value that identifies")
    ]


def test_notebooks_of_a_study_that_is_not_invented(repository: Path) -> None:
    (repository / "notebooks").mkdir()
    path = repository / "notebooks" / "one.ipynb"
    path.write_bytes(notebook(READ, TEXT))
    assert found(repository) == []
    path.write_bytes(notebook(READ, IMAGE, IMAGE))
    images = "2 images, not known to be of an invented study"
    assert found(repository) == [("notebooks/one.ipynb (not staged)", "outputs", images)]
    git(repository, "add", ".")
    path.write_bytes(notebook(READ))
    assert found(repository) == [("notebooks/one.ipynb", "outputs", images)]
    (repository / "study" / "study.toml").write_text("synthetic = true\n")
    assert len(found(repository)) == 1  # staged, it is still not invented
    git(repository, "add", "study/study.toml")
    assert found(repository) == []


def test_the_command_says_where_and_ends_with_one(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (study / "tables" / "patients.csv").write_text("patient_id,surname\nP01,Quistorp\n")
    assert main(["private", str(study)]) == 1
    printed = capsys.readouterr().out
    assert "tables/patients.csv\n  line 2, surname: found a column that identifies. Expected" in printed
    assert "1 finding in 1 file." in printed
    assert "Quistorp" not in printed


# by failure


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="found no folder"):
        privacy_problems(tmp_path / "nothing")


def test_a_repository_that_git_does_not_open(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (study.parent / ".git").mkdir()
    with pytest.raises(StudyError, match="a repository that cannot be opened"):
        privacy_problems(study)
    assert main(["private", str(study)]) == 1
    assert "a repository that cannot be opened" in capsys.readouterr().err


def test_without_git_a_repository_is_not_taken_for_a_folder(
    repository: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", "")
    with pytest.raises(StudyError, match="git is not installed"):
        privacy_problems(repository)


def test_hostile_names_and_links(repository: Path) -> None:
    (repository / "a\n\x1b[31mred.csv").write_text("surname\nQuistorp\n")
    (repository / "link.csv").symlink_to("/etc/passwd")
    (repository / b"\xff.csv".decode("utf-8", "surrogateescape")).write_text("surname\nQuistorp\n")
    git(repository, "add", ".")
    names = [file for file, *_ in found(repository)]
    assert len(names) == 2
    assert all(name.isprintable() and name.encode() for name in names)


def test_nothing_of_the_repository_is_run(repository: Path, tmp_path: Path) -> None:
    program = tmp_path / "program"
    program.write_text(f"#!{sys.executable}\nopen({str(tmp_path / 'was run')!r}, 'w')\n")
    program.chmod(0o755)
    git(repository, "config", "core.fsmonitor", str(program))
    found(repository)
    assert not (tmp_path / "was run").exists()


def test_a_file_that_is_too_large_is_named(repository: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cohortlib.commands.tracked.LARGEST_BYTES", 100)
    (repository / "large").write_text("x" * 101)
    (repository / "larger").write_text("x" * 200)
    git(repository, "add", "large")
    names = [file for file, *_ in found(repository)]
    assert {"large", "larger (not staged)"} <= set(names)
