"""Tables for a spreadsheet: no text of theirs runs as a formula, and nothing else is changed."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.tables.spreadsheet import is_formula, spreadsheet_csv, spreadsheet_text, study_csv

ROOT = Path(__file__).parents[1]
TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)
HOSTILE = st.text(st.sampled_from("=+-@＝＋－＠\t\r\n;,\"' a1."), max_size=8)


def cells(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text, newline="")))


# By hand -------------------------------------------------------------------------------------------


def test_a_table_with_everything() -> None:
    table = pd.DataFrame(
        {
            "word": ["=1+1", "plain", None],
            "number": [-1.5, 0.1, np.nan],
            "whole": pd.array([-2, 3, None], dtype="Int64"),
            "choice": pd.Categorical(["@a", "b", None]),
            "day": pd.to_datetime(["2031-06-30", None, "2031-07-01"]),
            "mixed": ["-3", -4, None],
            "+heading": [True, False, True],
        }
    )
    assert spreadsheet_csv(table) == (
        "word,number,whole,choice,day,mixed,'+heading\n"
        "'=1+1,-1.5,-2,'@a,2031-06-30,-3,True\n"
        "plain,0.1,3,b,,-4,False\n"
        ",,,,2031-07-01,,True\n"
    )
    assert table["word"].iloc[0] == "=1+1", "the table itself stays as it is"


def test_two_columns_of_one_name_and_no_rows() -> None:
    assert spreadsheet_csv(pd.DataFrame([["=a", "=b"]], columns=["x", "x"])) == "x,x\n'=a,'=b\n"
    assert spreadsheet_csv(pd.DataFrame(columns=["a", "b"], dtype="str")) == "a,b\n"


@pytest.mark.parametrize("text", ["-1", "-1.5", "-0,75", "-1e-9", "-12E+3", "1", "", "a=b", "−3", "'=a"])
def test_what_is_no_formula(text: str) -> None:
    assert spreadsheet_text(text) == text


# By reference --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "source"),
    [
        ("=cmd|' /C calc'!A0", "CWE-1236: = + - @"),
        ("+1+2", "CWE-1236: = + - @"),
        ("-2+3", "CWE-1236: = + - @"),
        ("@SUM(A1)", "CWE-1236: = + - @"),
        ("\t1", "OWASP ASVS 5.0, 1.2.10: tab"),
        ("\0=1", "OWASP ASVS 5.0, 1.2.10: null"),
        ("\r1", "common practice, no source"),
        ("\n1", "common practice, no source"),
        ("＝1+1", "full-width form; common practice, no source"),
        ("＋1", "full-width form; common practice, no source"),
        ("－1", "full-width form; common practice, no source"),
        ("＠a", "full-width form; common practice, no source"),
        ("﹦1", "small form; no source"),
        ("  =1", "spaces that an import may trim; no source"),
        ("\ufeff=1", "a mark that is not seen; no source"),
        ("-1,=1", "no number to its end; no source"),
        ('"=1', "a quotation mark that may be dropped; no source"),
        ("-٣", "digits of another script; no source"),
    ],
)
def test_what_may_run_gets_an_apostrophe(text: str, source: str) -> None:
    assert spreadsheet_text(text) == f"'{text}", source


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("a;=1+1", "a;'=1+1"),
        ("a; -3.5", "a;' -3.5"),
        ("a;-3.5 mm", "a;'-3.5 mm"),
        ("a\n- b\n- c", "a\n'- b\n'- c"),
        ("a\t@b", "a\t'@b"),
        ("=a;=b", "'=a;'=b"),
        ("\t=a", "'\t'=a"),
        ('a;"=b', "a;'\"=b"),
        ("a, =b", "a, =b"),
    ],
)
def test_a_cell_that_another_language_cuts(text: str, safe: str) -> None:
    # Source: OWASP, CSV Injection: a text may hold the separator and go on with a formula (from memory).
    assert spreadsheet_text(text) == safe


def test_a_line_end_within_a_text_begins_no_line() -> None:
    table = pd.DataFrame([["a\r=1", "b\r\n=2"]], columns=["x", "y"])
    assert spreadsheet_csv(table) == 'x,y\n"a\r\'=1","b\r\n\'=2"\n'


# By law --------------------------------------------------------------------------------------------


def may_run(cell: str) -> bool:
    """Whether a cell begins with a sign and is no number; written without the code under test."""
    first = unicodedata.normalize("NFKC", cell.strip())[:1]
    return first in tuple("=+@") or (first == "-" and re.fullmatch(r" *-[0-9.,eE+-]+ *", cell) is None)


def may_be_number(cell: str) -> bool:
    return re.fullmatch(r"[\s\"]*-[0-9.,]+\s*", cell) is not None


@given(TEXT)
@example("-1")
def test_a_text_only_gets_apostrophes(text: str) -> None:
    safe = spreadsheet_text(text)
    assert safe.replace("'", "") == text.replace("'", "")
    assert not is_formula(safe)
    assert spreadsheet_text(safe) == safe


@given(st.text(st.sampled_from("ab ;:/.1"), max_size=12))
def test_a_text_without_signs_stays_as_it_is(text: str) -> None:
    assert spreadsheet_text(text) == text


@given(st.lists(st.tuples(HOSTILE, HOSTILE), min_size=1, max_size=4), st.sampled_from(",;\t"))
@example([("a", "b\r=1")], ",")
@example([("a", "x;=1")], ";")
def test_no_cell_of_a_file_runs_wherever_it_is_cut(rows: list[tuple[str, str]], separator: str) -> None:
    # A line that is not cut at its commas is one cell: a negative number at its beginning runs with the rest.
    rows = [("", b) if may_be_number(a) else (a, b) for a, b in rows]
    text = spreadsheet_csv(pd.DataFrame(rows, columns=["a", "b"], dtype="object"))
    read = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    assert not [cell for line in read for cell in line if may_run(cell)]
    if separator == ",":
        assert [len(line) for line in read] == [2] * (1 + len(rows))


@given(st.lists(st.tuples(HOSTILE | TEXT, HOSTILE), min_size=1, max_size=4))
@example([("pain; -2 on the scale", "a\r- b")])
def test_a_table_of_a_study_comes_back_letter_by_letter_or_is_refused(rows: list[tuple[str, str]]) -> None:
    table = pd.DataFrame(rows, columns=["a", "b"], dtype="object")
    if any(is_formula(text) for row in rows for text in row):
        with pytest.raises(StudyError, match="that a spreadsheet does not run"):
            study_csv(table, file="t.csv")
    elif not any("\x1e\r\n" in text for row in rows for text in row):
        read = list(csv.reader(io.StringIO(study_csv(table, file="t.csv"), newline="")))
        assert [tuple(line) for line in read[1:]] == rows


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=5))
def test_every_number_comes_back(numbers: list[float]) -> None:
    read = cells(spreadsheet_csv(pd.DataFrame({"n": numbers, "as_text": list(map(repr, numbers))})))
    assert [float(line[0]) for line in read[1:]] == numbers
    assert [float(line[1]) for line in read[1:]] == numbers


# By recovery ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path", sorted((ROOT / "synthetic_cohort").glob("**/*.csv")), ids=lambda path: path.name
)
def test_the_demo_s_own_tables_are_written_and_read_again_unchanged(path: Path) -> None:
    head = pd.read_csv(path, dtype="str", keep_default_na=False, nrows=2000)
    lines = path.read_text("utf-8").splitlines(keepends=True)[: len(head) + 1]
    assert study_csv(head, file=path.name) == spreadsheet_csv(head) == "".join(lines)


# By failure ----------------------------------------------------------------------------------------


def test_a_formula_in_a_table_of_a_study_is_refused_with_its_place() -> None:
    table = pd.DataFrame({"hip_id": ["H1", "H2"], "device": ["=1+1", "Cup A"]})
    with pytest.raises(StudyError, match=r"hips\.csv, device: found '=1\+1'\. .*without the sign before it"):
        study_csv(table, file="hips.csv")
