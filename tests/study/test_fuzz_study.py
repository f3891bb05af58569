"""Whatever the bytes of a study folder, it is read or refused: no other error, no file changed or made.

Each seed is a case of its own; a failing one is named. With the headers in tests/dicom/test_intake_fuzz.py
these files, and those of test_fuzz_workbook.py, are more than two thousand.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from damaged_files import CELLS, PIECES, VALUES, anyhow, damaged, with_other_cells, with_other_values
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_study_files import SMALL_STUDY, small_study_text
from test_truths_between_tables import MORE

from cohortlib.errors import StudyError
from cohortlib.study import check_study, read_study
from cohortlib.study.columns import typed_table
from cohortlib.study.definition import study_definition
from cohortlib.study.sources.csv_file import text_table
from cohortlib.tables import DICTIONARY

TOML = small_study_text("study.toml").encode()
#: Sections that the small study does without.
MORE_TOML = b"""
[files]
separator = ","
dates = "year first"

[readings]
readers = ["R1", "R2"]
repeat_share = 0.2

[columns.patients]
Name = ""

[spellings.side]
L = "left"

[sheets]
hips = "Hips"

[[wide]]
table = "answers"
source = "ohs"
values = { answer = "OHS_{item}" }
fixed = { instrument = "oxford_hip_score" }
"""
FILES = {name: small_study_text(name).encode() for name in SMALL_STUDY}
FILES |= {f"tables/{table}.csv": text.encode() for table, text in MORE.items()}
TABLES = [name for name in FILES if name.startswith("tables/")]
FIFTY = range(50)


def told(problems: list[dict]) -> None:
    """Every problem says what is expected and what to do, and all of them can be written out."""
    assert all(str(row["expected"]).strip() and row["remedy"].strip() for row in problems)
    assert len(str(StudyError(problems)).splitlines()) == len(problems)


def read_or_refused(folder: Path) -> bool:
    try:
        read_study(folder)
    except StudyError as error:
        told(error.problems.astype(object).to_dict("records"))
        return False
    return True


def everything(folder: Path) -> dict[str, tuple[bytes, int]]:
    """All files and folders around, their bytes and times."""
    found = sorted(folder.rglob("*"))
    return {
        str(path): (path.read_bytes() if path.is_file() else b"", path.lstat().st_mtime_ns) for path in found
    }


@contextmanager
def untouched(folder: Path) -> Iterator[None]:
    before, here = everything(folder), sorted(os.listdir())
    yield
    assert everything(folder) == before
    assert sorted(os.listdir()) == here


@pytest.fixture
def whole_study(tmp_path: Path) -> Path:
    folder = tmp_path / "outer" / "study"
    for name, content in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


# By law: definitions, 600 seeds and 100 drawn -------------------------------------------------------


@pytest.mark.parametrize("block", range(12))
def test_a_damaged_definition_is_read_or_refused(block: int) -> None:
    for seed in FIFTY:
        rng = np.random.default_rng([1, block, seed])
        content = anyhow(rng, TOML + MORE_TOML * int(rng.integers(0, 2)), sensible=with_other_values)
        told(study_definition(content)[1])


@settings(max_examples=100, deadline=None, derandomize=True, database=None)
@given(
    keys=st.lists(
        st.tuples(
            st.sampled_from(
                ["title", "arm", "visit_id", "due_days", "margin", "url", "values", "a.b.c", '"x y"', ""]
            ),
            st.one_of(
                st.sampled_from(VALUES), st.integers(-(10**30), 10**30).map(lambda value: str(value).encode())
            ),
        ),
        max_size=6,
    ),
    section=st.sampled_from(
        ["", "[[arms]]", "[[visits]]", "[endpoint]", "[readings]", "[columns.hips]", "[[wide]]", "[x"]
    ),
)
def test_a_drawn_definition_is_read_or_refused(keys: list[tuple[str, bytes]], section: str) -> None:
    lines = [section.encode(), *(name.encode() + b" = " + value for name, value in keys)]
    told(study_definition(TOML + b"\n".join(lines))[1])
    told(study_definition(b"\n".join(lines))[1])


# By law: tables, 600 seeds and 100 drawn ------------------------------------------------------------


def typed(name: str, content: bytes, **files: str) -> None:
    how = {"encoding": "utf-8", "separator": ",", **files}
    text, problems = text_table(content, file=name, **how)
    told(problems)
    if text is not None:
        columns = DICTIONARY[Path(name).stem]
        dates = "day first" if len(content) % 2 else "year first"
        table, problems = typed_table(
            text, columns, file=name, folder=Path(), decimal=".", spellings={}, dates=dates
        )
        told(problems)
        assert len(table) == len(text)


@pytest.mark.parametrize("block", range(12))
def test_a_damaged_table_is_read_or_refused(block: int) -> None:
    for seed in FIFTY:
        rng = np.random.default_rng([2, block, seed])
        name = TABLES[seed % len(TABLES)]
        content = anyhow(rng, FILES[name], sensible=with_other_cells)
        typed(name, content, encoding=("utf-8", "windows-1252")[block % 2])


@settings(max_examples=100, deadline=None, derandomize=True, database=None)
@given(
    name=st.sampled_from(TABLES),
    rows=st.lists(
        st.lists(
            st.one_of(st.sampled_from(CELLS), st.sampled_from(PIECES), st.binary(max_size=5)),
            min_size=1,
            max_size=12,
        ),
        max_size=4,
    ),
    end=st.sampled_from([b"\n", b"\r\n", b"\r", b"\n\n"]),
)
def test_a_drawn_table_is_read_or_refused(name: str, rows: list[list[bytes]], end: bytes) -> None:
    header = FILES[name].split(b"\n")[0]
    typed(name, end.join([header, *map(b",".join, rows)]))
    typed(name, end.join(map(b",".join, rows)), separator=";")


# By law: folders, 24 seeds and 10 drawn --------------------------------------------------------------


@pytest.mark.parametrize("block", range(3))
def test_a_damaged_folder_is_read_or_refused(whole_study: Path, block: int) -> None:
    for seed in range(8):
        rng = np.random.default_rng([3, block, seed])
        chosen = [name for name in FILES if rng.random() < 0.1] or [TABLES[rng.integers(len(TABLES))]]
        for name in chosen:
            change = with_other_values if name.endswith("toml") else with_other_cells
            content = change(rng, FILES[name])
            (whole_study / name).write_bytes(damaged(rng, content) if rng.random() < 0.2 else content)
        with untouched(whole_study.parent):
            read_or_refused(whole_study)
        for name in chosen:
            (whole_study / name).write_bytes(FILES[name])
    assert read_or_refused(whole_study)


@settings(
    max_examples=10,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(table=st.sampled_from(TABLES), cells=st.data())
def test_cells_drawn_from_other_columns_are_read_or_refused(
    whole_study: Path, table: str, cells: st.DataObject
) -> None:
    """Right values in wrong places: what the checks between tables see."""
    path = whole_study / table
    rows = [line.split(",") for line in FILES[table].decode().splitlines()]
    values = sorted(
        {
            cell
            for name in TABLES
            for line in FILES[name].decode().splitlines()[1:]
            for cell in line.split(",")
        }
    )
    for row in rows[1:]:
        place = cells.draw(st.integers(0, len(row) - 1))
        row[place] = cells.draw(st.sampled_from(values))
    path.write_text("\n".join(map(",".join, rows)))
    with untouched(whole_study.parent):
        read_or_refused(whole_study)
    path.write_bytes(FILES[table])


# By failure: names and links that lead elsewhere ----------------------------------------------------


@pytest.mark.parametrize(
    "name", ["..", "../x", "a\nb.csv", "x" * 200, "hips.csv.bak", "ü.csv", "\udcff.csv", ".hidden"]
)
def test_names_of_files_are_shown_and_never_followed(small_study: Path, name: str) -> None:
    path = small_study / "tables" / name
    if name.startswith(".."):
        (small_study / "tables/images.csv").write_text(
            small_study_text("tables/images.csv").replace("images/I01.dcm", f"images/../../{name}/secret")
        )
        (small_study / "tables/landmarks.csv").unlink()
    else:
        path.write_text("a,b\n")
    with untouched(small_study.parent):
        problems = check_study(small_study)
    assert problems.empty == (name == ".hidden")
    assert all("\n" not in str(text) for text in problems["found"])


def test_links_in_a_ring_are_refused(small_study: Path) -> None:
    for name in ("study.toml", "tables/hips.csv"):
        (small_study / name).unlink()
        (small_study / name).symlink_to(small_study / name)
    (small_study / "images").symlink_to(small_study / "images")
    assert not read_or_refused(small_study)
    (small_study / "study.toml").unlink()
    (small_study / "study.toml").write_bytes(TOML)
    assert not read_or_refused(small_study)


def test_every_table_is_damaged_by_some_seed() -> None:
    assert {TABLES[seed % len(TABLES)] for seed in FIFTY} == set(TABLES)
    assert set(DICTIONARY) == {Path(name).stem for name in TABLES}
    assert pd.Series(PIECES).is_unique
