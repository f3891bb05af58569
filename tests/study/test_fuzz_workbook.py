"""Whatever the bytes of a workbook, it is read or refused: no other error, no file changed or made."""

from __future__ import annotations

import datetime
import os
import zipfile
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from damaged_files import XML_PIECES, damaged
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from workbook_files import TABLES, small_sheets, with_parts, workbook_bytes, workbook_study

from cohortlib.errors import StudyError
from cohortlib.study import read_study
from cohortlib.study.sources.workbook import read_workbook

SOUND = workbook_bytes(small_sheets())
with zipfile.ZipFile(BytesIO(SOUND)) as archive:
    PARTS = {name: archive.read(name) for name in archive.namelist()}
NAMES = ("../x.xml", "/x", "xl/../../x", "C:\\x", "xl/worksheets/sheet1.xml/", "x" * 300, "\u202e.xml", ".")


def read_or_refused(folder: Path, content: bytes) -> list[dict[str, Any]]:
    """The problems of a workbook, which is left alone, as is everything around it."""
    path = folder / "inner" / "tables.xlsx"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content)
    around, here = sorted(folder.rglob("*")), sorted(os.listdir())
    book, problems = read_workbook(path.parent, path.name, sheets={name: name for name in TABLES}, others=())
    if book is not None:
        problems = problems + [row for rows in book.problems.values() for row in rows]
        assert set(book.sheets) <= set(TABLES)
    assert all(str(row["expected"]).strip() and row["remedy"].strip() for row in problems)
    assert len(str(StudyError(problems)).splitlines()) == len(problems)
    assert path.read_bytes() == content
    assert sorted(folder.rglob("*")) == around
    assert sorted(os.listdir()) == here
    return problems


def test_the_workbook_is_sound(tmp_path: Path) -> None:
    assert read_or_refused(tmp_path, SOUND) == []


# By law: 400 archives, 300 parts, 60 drawn -----------------------------------------------------------


@pytest.mark.parametrize("block", range(8))
def test_a_damaged_archive_is_read_or_refused(tmp_path: Path, block: int) -> None:
    for seed in range(50):
        rng = np.random.default_rng([4, block, seed])
        read_or_refused(tmp_path, damaged(rng, SOUND, other=SOUND))


@pytest.mark.parametrize("block", range(15))
def test_a_damaged_part_is_read_or_refused(tmp_path: Path, block: int) -> None:
    for seed in range(20):
        rng = np.random.default_rng([5, block, seed])
        # Mostly sheets, where the cells are.
        likely = [name for name in PARTS if "sheet" in name or rng.random() < 0.3]
        name = likely[rng.integers(len(likely))]
        content = damaged(rng, PARTS[name], other=PARTS["xl/worksheets/sheet1.xml"], pieces=XML_PIECES)
        more = {NAMES[rng.integers(len(NAMES))]: b"x"} if rng.random() < 0.1 else {}
        read_or_refused(tmp_path, with_parts(SOUND, {name: content}, more=more))


CELLS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**20), 10**20),
    st.floats(allow_nan=False, allow_infinity=False),
    st.datetimes(datetime.datetime(1900, 1, 1), datetime.datetime(2200, 1, 1)),
    st.times(),
    st.timedeltas(datetime.timedelta(-1000), datetime.timedelta(1000)),
    st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=8),
    st.sampled_from(["=1+1", "=NOW()", "=A1", "#N/A", "#REF!", "P01", "left", "2030-01-01", "x" * 32_767]),
)
FORMATS = st.sampled_from(
    ["General", "0", "0000", "0.00", "0%", "dd/mm/yyyy", "hh:mm", "[h]:mm", "@", '"x"0', "0\\%"]
)


@settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    changes=st.lists(
        st.tuples(st.integers(1, 7), st.integers(1, 11), CELLS, FORMATS), min_size=1, max_size=6
    ),
    table=st.sampled_from(TABLES),
)
def test_drawn_cells_are_read_or_refused(
    tmp_path: Path, changes: list[tuple[int, int, Any, str]], table: str
) -> None:
    def change(book: Any) -> None:
        for row, column, value, number_format in changes:
            cell = book[table].cell(row, column)
            cell.value = value
            cell.number_format = number_format

    read_or_refused(tmp_path, workbook_bytes({table: small_sheets()[table]}, change=change))


@pytest.mark.parametrize("seed", range(10))
def test_a_study_with_a_damaged_workbook_is_read_or_refused(small_study: Path, seed: int) -> None:
    rng = np.random.default_rng([6, seed])
    part = f"xl/worksheets/sheet{1 + seed % len(TABLES)}.xml"
    content = damaged(rng, PARTS[part], pieces=XML_PIECES)
    workbook_study(small_study, with_parts(SOUND, {part: content}))
    before = {path: path.read_bytes() for path in small_study.rglob("*.*")}
    with suppress(StudyError):
        read_study(small_study)
    assert {path: path.read_bytes() for path in small_study.rglob("*.*")} == before
