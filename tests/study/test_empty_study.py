"""An empty study: every key explained, its blanks listed until they are filled in, then a study."""

from __future__ import annotations

import csv
import json
import os
import re
import tomllib
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.study import check_study, read_study, write_empty_study
from cohortlib.study.blank import write
from cohortlib.study.blank.definition import blank_definition
from cohortlib.study.blank.descriptor import descriptor
from cohortlib.study.blank.dictionary_page import dictionary_page
from cohortlib.study.blank.dictionary_table import dictionary_table
from cohortlib.study.definition import study_definition
from cohortlib.study.definition_keys import KEYS, SECTIONS, section_keys
from cohortlib.tables import DICTIONARY, SIGNALS, ZONE_SYSTEMS

TITLES = st.text(st.characters(exclude_categories=("C", "Z")), max_size=30)
#: What a person writes into the blanks, in the order in which they stand.
ANSWERS = {
    "title": ['"A first study"'],
    "comparator": ['"stem"'],
    "arm": ['"cup"', '"stem"'],
    "label": ['"Cup"', '"Stem"', '"Before"', '"12 months"', '"Oxford Hip Score"'],
    "visit_id": ['"before"', '"month_12"', '"month_12"'],
    "due_days": ["-30", "365"],
    "earliest_days": ["-180", "300"],
    "latest_days": ["0", "450"],
    "instrument": ['"oxford_hip_score"', '"oxford_hip_score"'],
    "items": ["12"],
    "lowest": ["0"],
    "highest": ["4"],
    "direction": ['"high is good"'],
}
#: The first rows that a person types.
FIRST_ROWS = {
    "patients": {"patient_id": "P01", "sex": "female", "birth_year": "1970"},
    "hips": {
        "hip_id": "H01",
        "patient_id": "P01",
        "side": "left",
        "arm": "cup",
        "device": "Cup A",
        "surgery_date": "2030-01-10",
        "head_diameter_mm": "48",
    },
    "visits": {"patient_id": "P01", "visit_id": "month_12", "date": "2031-01-12"},
    "gait_trials": {
        "trial_id": "T1",
        "patient_id": "P01",
        "visit_id": "month_12",
        "speed_choice": "top",
        "speed_m_s": "2.06",
    },
    "gait_curves": {
        "trial_id": "T1",
        "side": "left",
        "signal": "vertical ground reaction force",
        "step": "0",
        "phase": "stance",
        "phase_percent": "0",
        "value": "12.5",
        "unit": "N/kg",
    },
}


def filled_in(text: str) -> str:
    """study.toml as after a person wrote something into every blank."""
    answers = {key: iter(values) for key, values in ANSWERS.items()}
    return re.sub(r'^(\w+) = ""', lambda found: f"{found[1]} = {next(answers[found[1]])}", text, flags=re.M)


def uncommented(text: str) -> str:
    """study.toml with every example in use."""
    return re.sub(r"^#(?=\S)", "", text, flags=re.M)


def fill_in(folder: Path) -> None:
    path = folder / "study.toml"
    path.write_text(filled_in(path.read_text("utf-8")), encoding="utf-8")


def add_rows(folder: Path) -> None:
    for table, cells in FIRST_ROWS.items():
        path = folder / "tables" / f"{table}.csv"
        (header,) = csv.reader(path.read_text("utf-8").splitlines())
        path.write_text(path.read_text("utf-8") + ",".join(cells.get(name, "") for name in header) + "\n")


class Reader(HTMLParser):
    """What a browser finds: tags and text, without the style."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        if self.tags[-1:] != ["style"]:
            self.words.append(data)


# By hand -------------------------------------------------------------------------------------------


def test_everything_is_there(tmp_path: Path) -> None:
    write_empty_study(tmp_path / "study")
    names = {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()}
    tables = {f"study/tables/{table}.csv" for table in DICTIONARY}
    others = {"study.toml", "dictionary.html", "dictionary.csv", "datapackage.json"}
    assert names == tables | {f"study/{name}" for name in others}
    for table, columns in DICTIONARY.items():
        text = (tmp_path / "study/tables" / f"{table}.csv").read_text("utf-8")
        assert text == ",".join(columns) + "\n"


def test_a_new_study_lists_its_blanks_and_nothing_else(tmp_path: Path) -> None:
    write_empty_study(tmp_path / "study")
    problems = check_study(tmp_path / "study")
    assert set(problems["file"]) == {"study.toml"}
    assert set(problems["found"]) == {""}
    assert len(problems) == sum(map(len, ANSWERS.values()))
    lines = (tmp_path / "study/study.toml").read_text("utf-8").splitlines()
    assert all("FILL IN: " in lines[line - 1] for line in problems["line"])
    write_empty_study(tmp_path / "named", title="A first study")
    assert len(check_study(tmp_path / "named")) == len(problems) - 1


def test_with_its_blanks_filled_in_it_is_a_study(tmp_path: Path) -> None:
    folder = tmp_path / "study"
    write_empty_study(folder)
    fill_in(folder)
    assert check_study(folder).empty
    study = read_study(folder)
    assert study.title == "A first study"
    assert study.schedule["visit_id"].tolist() == ["before", "month_12"]
    assert all(table.empty for table in study.tables.values())
    add_rows(folder)
    assert check_study(folder).empty
    study = read_study(folder)
    assert study.visits["in_window"].tolist() == [True]
    assert study.gait_curves["value"].tolist() == [12.5]


def test_what_is_written_wrong_is_found_in_it(tmp_path: Path) -> None:
    folder = tmp_path / "study"
    write_empty_study(folder)
    fill_in(folder)
    add_rows(folder)
    path = folder / "tables/gait_curves.csv"
    path.write_text(path.read_text().replace("vertical ground reaction force", "vertical ground force"))
    with pytest.raises(StudyError, match=r"signal: found vertical ground force\. .*did you mean 'vertical"):
        read_study(folder)


# By reference --------------------------------------------------------------------------------------


def test_another_program_reads_the_descriptor_and_the_tables(tmp_path: Path) -> None:
    # Source: frictionless, a validator of the Data Package Standard by those who wrote the standard.
    frictionless = pytest.importorskip("frictionless")
    folder = tmp_path / "study"
    write_empty_study(folder, title="A first study")
    fill_in(folder)
    add_rows(folder)
    path = str(folder / "datapackage.json")
    assert frictionless.Package.validate_descriptor(path).valid
    report = frictionless.validate(path)
    assert report.valid, report.flatten(["message"])
    assert len(report.tasks) == len(DICTIONARY)
    assert [task.stats["rows"] for task in report.tasks if task.name in FIRST_ROWS] == [1] * len(FIRST_ROWS)


@pytest.mark.parametrize(
    ("table", "old", "new", "error"),
    [
        ("hips", "H01,", "H 01,", "constraint-error"),
        ("hips", "left", "L", "constraint-error"),
        ("hips", ",48,", ",480,", "constraint-error"),
        ("hips", "P01", "P09", "foreign-key"),
        ("hips", "2030-01-10", "10.01.2030", "type-error"),
        ("visits", "month_12", "", "constraint-error"),
        ("gait_curves", "T1", "T2", "foreign-key"),
    ],
)
def test_another_program_refuses_what_is_refused_here(
    tmp_path: Path, table: str, old: str, new: str, error: str
) -> None:
    frictionless = pytest.importorskip("frictionless")
    folder = tmp_path / "study"
    write_empty_study(folder)
    fill_in(folder)
    add_rows(folder)
    path = folder / "tables" / f"{table}.csv"
    head, row = path.read_text().splitlines()
    path.write_text(f"{head}\n{row.replace(old, new, 1)}\n")
    errors = frictionless.validate(str(folder / "datapackage.json")).flatten(["type"])
    assert [error] in errors
    assert not check_study(folder).empty


def test_the_descriptor_says_what_the_dictionary_says() -> None:
    # Source: Data Package Standard 2.0, Table Schema (field types and constraints).
    package = json.loads(descriptor(title=""))
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert "title" not in package
    resources = {resource["name"]: resource for resource in package["resources"]}
    assert list(resources) == list(DICTIONARY)
    fields = {field["name"]: field for field in resources["hips"]["schema"]["fields"]}
    assert list(fields) == list(DICTIONARY["hips"])
    assert fields["head_diameter_mm"]["type"] == "number"
    assert fields["head_diameter_mm"]["unit"] == "mm"
    assert fields["head_diameter_mm"]["constraints"] == {"required": True, "minimum": 20, "maximum": 70}
    assert fields["side"]["constraints"]["enum"] == ["left", "right"]
    assert resources["hips"]["schema"]["primaryKey"] == ["hip_id"]
    assert {"fields": ["patient_id"], "reference": {"resource": "patients", "fields": ["patient_id"]}} in (
        resources["hips"]["schema"]["foreignKeys"]
    )
    assert "primaryKey" not in resources["landmarks"]["schema"]


# By law --------------------------------------------------------------------------------------------


def test_every_key_is_explained_in_its_section() -> None:
    text = blank_definition(title="")
    words = " ".join(re.sub(r"^# ", "", text, flags=re.M).split())
    for key in KEYS:
        assert key.meaning in words, key.key
    values = tomllib.loads(uncommented(text))
    assert set(SECTIONS) <= set(values)
    for section in {key.section for key in KEYS if key.section}:
        entries = values[section] if isinstance(values[section], list) else [values[section]]
        for entry in entries:
            assert list(entry) == list(section_keys(section))
    assert set(section_keys("")) <= set(values)
    assert max(map(len, text.splitlines())) <= 110


def test_every_example_is_right() -> None:
    text = uncommented(filled_in(blank_definition(title="")))
    # A study has one primary endpoint, so its two examples exclude each other.
    for left_out in (r'^quantity = .*\n(?=visit_id = "month_12")', r"^instrument = .*\n(?=# the quantity)"):
        definition, problems = study_definition(re.sub(left_out, "", text, count=1, flags=re.M).encode())
        assert problems == []
        assert definition["readings"]["readers"] == ("R1", "R2")


@settings(max_examples=40)
@given(TITLES)
def test_a_title_is_the_same_wherever_it_stands(title: str) -> None:
    assert tomllib.loads(blank_definition(title=title))["title"] == title
    assert json.loads(descriptor(title=title)).get("title", "") == title
    found = Reader(dictionary_page(title=title))
    assert not {"script", "img", "b"} & set(found.tags)
    assert not title or title in found.words


def test_the_page_and_the_table_tell_every_column() -> None:
    page = dictionary_page(title="")
    words = Reader(page).words
    table = dictionary_table()
    assert list(table["table"].unique()) == list(DICTIONARY)
    for columns in DICTIONARY.values():
        for column in columns.values():
            assert column.column in words
            assert column.meaning in words
    for name in (*ZONE_SYSTEMS, *SIGNALS):
        assert name in words
    assert "default-src 'none'" in page
    assert not re.search(r"<script|src=|https?://|@import|url\(", page)
    row = table[(table["table"] == "plans") & (table["column"] == "planned_leg_change_mm")].iloc[0]
    assert row[["kind", "unit", "required", "least", "greatest"]].tolist() == ["number", "mm", "no", -60, 60]


def test_the_dictionary_for_a_spreadsheet_is_read_again(tmp_path: Path) -> None:
    write_empty_study(tmp_path / "study")
    read = pd.read_csv(
        tmp_path / "study/dictionary.csv", keep_default_na=False, na_values={"least": "", "greatest": ""}
    )
    assert read.astype("str").equals(dictionary_table().astype("str"))


# By recovery: whole or not at all ------------------------------------------------------------------


def test_an_empty_folder_is_filled_and_stays_the_same_folder(tmp_path: Path) -> None:
    folder = tmp_path / "study"
    folder.mkdir(mode=0o750)
    before = folder.stat()
    write_empty_study(folder)
    assert (folder.stat().st_ino, folder.stat().st_mode) == (before.st_ino, before.st_mode)
    assert (folder / "study.toml").is_file()
    assert [path.name for path in tmp_path.iterdir()] == ["study"]


def test_a_link_to_an_empty_folder_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_empty_study(tmp_path / "link")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real/study.toml").is_file()


@pytest.mark.parametrize("exists", [False, True])
@pytest.mark.parametrize("at", [1, 5, 18])
def test_what_fails_half_way_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exists: bool, at: int
) -> None:
    folder, written = tmp_path / "study", []

    def full(path: Path, content: str) -> None:
        written.append(path)
        if len(written) == at:
            raise OSError(28, "No space left on device")
        path.write_text(content)

    monkeypatch.setattr(write, "write_whole", full)
    if exists:
        folder.mkdir()
    with pytest.raises(StudyError, match=r"study: found .*No space left.*nothing was written"):
        write_empty_study(folder)
    assert len(written) == at
    assert list(tmp_path.rglob("*")) == ([folder] if exists else [])


def test_moving_in_is_undone_if_it_stops(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "study"
    folder.mkdir()
    rename = os.rename

    def stopped(source: Path, target: Path) -> None:
        if target == folder / "study.toml":
            assert len(list(folder.iterdir())) == 4, "study.toml comes last"
            raise KeyboardInterrupt
        rename(source, target)

    monkeypatch.setattr(os, "rename", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_empty_study(folder)
    assert list(tmp_path.rglob("*")) == [folder]


# By failure ----------------------------------------------------------------------------------------


def test_a_folder_that_holds_something_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "study").mkdir()
    (tmp_path / "study/b.txt").write_text("mine")
    (tmp_path / "study/.hidden").write_text("mine")
    match = r"study: found a folder that holds '\.hidden' and 1 more\. .*Name another folder"
    with pytest.raises(StudyError, match=match):
        write_empty_study(tmp_path / "study")
    assert sorted(path.name for path in tmp_path.rglob("*")) == [".hidden", "b.txt", "study"]


@pytest.mark.parametrize(
    ("place", "match"),
    [
        ("file", "Not a directory"),
        ("file/study", "Not a directory|no folder"),
        ("nowhere/study", "no folder .*nowhere around it"),
        ("ring", "no folder that can be used"),
        ("a\0b", "no folder that can be used"),
        ("n" * 300, "File name too long|no folder that can be used"),
    ],
)
def test_a_place_that_is_none(tmp_path: Path, place: str, match: str) -> None:
    (tmp_path / "file").write_text("mine")
    (tmp_path / "ring").symlink_to(tmp_path / "ring")
    with pytest.raises(StudyError, match=match):
        write_empty_study(tmp_path / place)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "ring"]


@pytest.mark.parametrize("title", ["a\nb", " a", "a\u202eb", "a" * 201, "\ud800", "a\0"])
def test_a_title_that_does_not_fit_in_a_line(tmp_path: Path, title: str) -> None:
    with pytest.raises(StudyError, match=r"title: found .*up to 200 letters in one line"):
        write_empty_study(tmp_path / "study", title=title)
    assert list(tmp_path.iterdir()) == []
