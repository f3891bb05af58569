"""Damaged study folders: a StudyError or success, never another exception, and no file is touched.

With the damaged headers of tests/dicom/test_intake_fuzz.py (600 files) these are 2,000 cases and more.
"""

import io
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from damaged_files import anyhow, damaged, with_other_cells, with_other_values
from small_study_files import SMALL_STUDY, small_study_text
from workbook_files import small_sheets, with_parts, workbook_bytes

from cohortlib.errors import StudyError
from cohortlib.study import check_study, read_study

TEXTS = {name: small_study_text(name).encode() for name in SMALL_STUDY}
TABLES = [name for name in TEXTS if name.endswith(".csv")]
#: study.toml of a study that is exported by somebody else's rules.
EXPORT = b"""
[files]
separator = ";"
decimal = ","
dates = "day first"
encoding = "windows-1252"

[columns.hips]
"Side of surgery" = "side"

[spellings.side]
"L" = "left"
"R" = "right"
"""
MANY_TABLES, MANY_DEFINITIONS, MANY_EXPORTS, MANY_WORKBOOKS = 400, 700, 200, 140


def content_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


def hold(folder: Path, *, files: dict[str, bytes], case: object) -> None:
    """Check and read a folder; whatever happens to be wrong is said, and nothing beside it changes."""
    root = folder / "study"
    (root / "tables").mkdir(parents=True, exist_ok=True)
    for old in root.rglob("*"):
        if old.is_file() and old.relative_to(root).as_posix() not in files:
            old.unlink()
    for name, content in files.items():
        (root / name).write_bytes(content)
    before, told = content_of(folder), "sound, or listed"
    try:
        problems = check_study(root)
        if problems.empty:
            read_study(root)
        else:
            assert (problems[["expected", "remedy"]] != "").all(axis=None), case
            assert max(len(str(found)) for found in problems["found"]) < 500, case
    except StudyError as error:
        told = str(error)
    except Exception as error:
        raise AssertionError(f"{case}: {type(error).__name__}: {error}") from error
    assert told, case
    assert content_of(folder) == before, case


# By law --------------------------------------------------------------------------------------------------


def test_damaged_tables(tmp_path):
    rng = np.random.default_rng(20310630)
    for case in range(MANY_TABLES):
        name = TABLES[case % len(TABLES)]
        other = anyhow(rng, TEXTS[name], sensible=with_other_cells)
        hold(tmp_path, files={**TEXTS, name: other}, case=(case, name))


def test_damaged_definitions(tmp_path):
    rng = np.random.default_rng(20310701)
    for case in range(MANY_DEFINITIONS):
        other = anyhow(rng, TEXTS["study.toml"], sensible=with_other_values)
        hold(tmp_path, files={**TEXTS, "study.toml": other}, case=case)


def test_damaged_exports(tmp_path):
    """Both at once: the mapping of an export, and its tables."""
    rng = np.random.default_rng(20310702)
    sound = {name: text.replace(b",", b";") for name, text in TEXTS.items() if name in TABLES}
    sound["tables/hips.csv"] = sound["tables/hips.csv"].replace(b"side", b"Side of surgery", 1)
    definition = TEXTS["study.toml"] + EXPORT
    for case in range(MANY_EXPORTS):
        files = {**sound, "study.toml": definition}
        files["study.toml"] = anyhow(rng, definition, sensible=with_other_values)
        name = TABLES[case % len(TABLES)]
        files[name] = anyhow(rng, sound[name], sensible=with_other_cells)
        hold(tmp_path, files=files, case=(case, name))


def test_damaged_workbooks(tmp_path):
    rng = np.random.default_rng(20310703)
    sound = workbook_bytes(small_sheets())
    parts = zipfile.ZipFile(io.BytesIO(sound)).namelist()
    definition = TEXTS["study.toml"] + b'\n[files]\nworkbook = "export.xlsx"\n'
    for case in range(MANY_WORKBOOKS):
        if case % 3:  # a sound archive with a damaged part, and one more that wants to be elsewhere
            part = parts[rng.integers(len(parts))]
            more = {"../../outside.xml": b"x"} if case % 6 == 1 else {}
            book = with_parts(sound, {part: lambda content: damaged(rng, content)}, more=more)
        else:
            book = damaged(rng, sound, other=sound)
        files = {"study.toml": definition, "export.xlsx": book}
        hold(tmp_path, files=files, case=case)


@pytest.mark.parametrize(
    "name", ["../outside.csv", "/etc/hosts", "..\\x", "tables/../../x", "images/../../x"]
)
def test_a_path_that_leaves_the_folder_is_refused(small_study, name):
    images = small_study / "tables" / "images.csv"
    rows = pd.read_csv(images, dtype="str", keep_default_na=False)
    rows.loc[0, "path"] = name
    rows.to_csv(images, index=False)
    problems = check_study(small_study)
    assert problems["column"].eq("path").any()
