"""What must not be shared is found: in tables, headers, notebooks and in what git is about to commit."""

from __future__ import annotations

import base64
import datetime
import json
import shutil
import subprocess
import sys
import zipfile
from io import BytesIO
from pathlib import Path

import numpy as np
import pydicom
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.__main__ import main
from cohortlib.commands.private import privacy_problems
from cohortlib.commands.private_notebooks import notebook_problems
from cohortlib.commands.private_tables import table_problems
from cohortlib.errors import StudyError
from cohortlib.synthetic.dx import write_dx
from cohortlib.synthetic.recipe import FilmRecipe

ROOT = Path(__file__).parents[1]
PNG = base64.b64encode(b"\x89PNG").decode()
IMAGE = {"output_type": "display_data", "data": {"image/png": PNG}, "metadata": {}}
TEXT = {"output_type": "stream", "name": "stdout", "text": ["Quistorp\n"]}
READ = 'study = read_study("../study")\nplot(study)'


@pytest.fixture(scope="module")
def film_bytes(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    recipe = FilmRecipe(seed=1, implants=())
    pixels = np.zeros((recipe.rows, recipe.columns), np.uint16)
    path = tmp_path_factory.mktemp("film") / "film.dcm"
    day = datetime.date(2031, 3, 9)
    write_dx(path, pixels, recipe, patient_id="P01", image_id="I1", study_date=day, seed=1)
    return path.read_bytes()


def notebook(source: str = READ, *outputs: object, metadata: object = None, **cell: object) -> bytes:
    code = {"cell_type": "code", "source": source, "outputs": list(outputs), "metadata": {}, **cell}
    return json.dumps(
        {"cells": [code], "metadata": metadata or {}, "nbformat": 4, "nbformat_minor": 5}
    ).encode()


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
    with zipfile.ZipFile(repository / "data.zip", "w") as archive:
        archive.writestr("a/b", film_bytes)
    with zipfile.ZipFile(repository / "other.zip", "w") as archive:
        archive.writestr("a/b", b"text")
    git(repository, "add", ".")
    assert found(repository) == [("data.zip", "", "a DICOM file in a repository")]


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
    assert "1 findings in 1 files" in printed
    assert "Quistorp" not in printed


# by law: columns and notebooks, case by case


@pytest.mark.parametrize(
    "column",
    [
        *("PatientName", "patient name", "LAST_NAME", "Vorname", "Geburtsdatum", "dob", "x_dob", "birthDate"),
        *("E-Mail", "MRN", "Hospital number", "Date_of_birth", "x_surname", "Prenom"),
    ],
)
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_columns_that_identify_anywhere(column: str, separator: str) -> None:
    data = f"quantity{separator}{column}\nx{separator}y\n".encode()
    problems = table_problems(data, name="t.csv", in_study=False, born={})
    assert [row["column"] for row in problems] == [column]


@pytest.mark.parametrize("column", ["name", "address", "city", "initials"])
def test_columns_that_identify_among_patients_only(column: str) -> None:
    for header, count in (("patient_id", 1), ("hip_id", 1), ("quantity", 0)):
        data = f"{header},{column}\nx,y\n".encode()
        assert len(table_problems(data, name="t.csv", in_study=False, born={})) == count
        assert len(table_problems(data, name="t.csv", in_study=True, born={})) == 1


@pytest.mark.parametrize(
    "column", ["patient_id", "surgeon_id", "device", "birth_year", "path", "landmark", "date"]
)
def test_columns_of_a_study_identify_nobody(column: str) -> None:
    assert table_problems(f"patient_id,{column}\nP1,x\n".encode(), name="t", in_study=True, born={}) == []


@pytest.mark.parametrize(
    ("cell", "wrong"),
    [
        ("1970-04-23", True),
        ("23.04.1970", True),
        ("4/23/1970", True),
        ("19700423", True),
        ("1970-04-23T10:00:00Z", True),
        ("1970", False),
        ("1971-04-23", False),
        ("2030-04-23", False),
        ("someone@example.org", True),
        ("a @ b", False),
    ],
)
def test_cells_that_identify(cell: str, wrong: bool) -> None:
    data = f"patient_id,x_note\nP01,{cell}\nP01\n".encode()
    assert len(table_problems(data, name="t", in_study=True, born={"P01": "1970"})) == wrong


def studies(path: str) -> bool | None:
    known = {"invented": True, "real": False}
    return known.get(path.split("/")[0])


@pytest.mark.parametrize(
    ("source", "wrong"),
    [
        ('read_study("../invented")', False),
        ('read_study(r"../invented/")', False),
        ('%matplotlib inline\nread_study("../invented")', False),
        ('copytree("../invented/tables", copy)\nread_study(copy)', False),
        ('read_study("../invented")\naxes.set_ylabel("~5 deg / year")', False),
        ('read_study("../real")', True),
        ('read_study("../invented")\nread_study("../real")', True),
        ('folder = "../real"\nread_study("../invented")\nread_study(folder)', True),
        ('read_study("../invented")\nread_radiograph("../real/images/1.dcm")', True),
        ('read_study("../invented")\nread_radiograph("/data/1.dcm")', True),
        ('read_study("../invented")\nread_radiograph("~/1.dcm")', True),
        ('read_study("../invented")\nread_radiograph("C:/1.dcm")', True),
        ('read_study("../invented")\nfetch("https://archive.example/1")', True),
        ("read_study(path)", True),
        ("plot()", True),
        ('read_study("../nowhere")', True),
        ('%magic\nread_study("../invented")\nopen("/data/1.dcm")', True),
    ],
)
def test_whose_images_a_notebook_shows(source: str, wrong: bool) -> None:
    path = "notebooks/n.ipynb"
    assert len(notebook_problems(notebook(source, IMAGE), name="n", path=path, invented=studies)) == wrong
    assert notebook_problems(notebook(source, TEXT), name="n", path=path, invented=studies) == []


@pytest.mark.parametrize(
    "output",
    [
        IMAGE,
        {"output_type": "execute_result", "data": {"image/svg+xml": ["<svg", "/>"]}},
        {"output_type": "display_data", "data": {"text/html": ["<p>", "<img src='x'>"]}},
        {"output_type": "display_data", "data": {"text/html": f"<i style='x:url(data:image/png;{PNG})'>"}},
        {"output_type": "display_data", "data": {"text/markdown": f"![x](data:image/png;base64,{PNG})"}},
    ],
)
def test_outputs_that_are_images(output: object) -> None:
    problems = notebook_problems(notebook("", output), name="n", path="n.ipynb", invented=studies)
    assert [row["found"] for row in problems] == ["1 images, not known to be of an invented study"]


def test_attached_images_count() -> None:
    data = notebook("", attachments={"a.png": {"image/png": PNG}}, cell_type="markdown")
    assert len(notebook_problems(data, name="n", path="n.ipynb", invented=studies)) == 1


def test_the_state_of_controls_is_never_shared() -> None:
    state = {"application/vnd.jupyter.widget-state+json": {"state": {}}}
    source = 'read_study("invented")'
    for data, column in (
        (notebook(source, metadata={"widgets": state}), "metadata.widgets"),
        (notebook(source, {"output_type": "display_data", "data": state}), "outputs"),
    ):
        problems = notebook_problems(data, name="n", path="n.ipynb", invented=studies)
        assert [row["column"] for row in problems] == [column]


# by failure


TEXTS = st.text(max_size=300).map(lambda text: text.encode("utf-8", "replace"))


@settings(max_examples=150, deadline=None)
@given(data=st.one_of(st.binary(max_size=300), TEXTS))
def test_any_bytes_are_a_table_or_a_notebook(data: bytes) -> None:
    for problems in (
        table_problems(data, name="t.csv", in_study=True, born={"P1": "1970"}),
        notebook_problems(data, name="n.ipynb", path="n.ipynb", invented=studies),
    ):
        assert isinstance(problems, list)


@pytest.mark.parametrize("data", [b"", b"[]", b"{", b'{"cells": 7}', b'{"cells": [7]}', b"[" * 100_000])
def test_a_notebook_that_cannot_be_read_is_not_shared(data: bytes) -> None:
    problems = notebook_problems(data, name="n", path="n.ipynb", invented=studies)
    assert [row["found"] for row in problems] == ["a notebook that cannot be read"]


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
