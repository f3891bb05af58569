"""CSV bytes become text cells with the lines of a spreadsheet, or a problem."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.study.sources.csv_file import text_table


def cells(data: bytes, **options: str) -> tuple[list[list[object]], list[int], list[dict]]:
    table, problems = text_table(data, **{"file": "t.csv", "encoding": "utf-8", "separator": ",", **options})
    if table is None:
        return [], [], problems
    return [list(map(str, table)), *table.astype(object).to_numpy().tolist()], list(table.index), problems


# By hand -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "options", "expected", "lines"),
    [
        (b"a,b\n1,2\n", {}, [["a", "b"], ["1", "2"]], [2]),
        (b"a,b\r\n007,NA\r\n,x", {}, [["a", "b"], ["007", "NA"], ["", "x"]], [2, 3]),
        (b"a,b\r1,2\r3,4\r", {}, [["a", "b"], ["1", "2"], ["3", "4"]], [2, 3]),
        (b'a,b\n"x\ny","1,""2"""\nz,\n', {}, [["a", "b"], ["x\ny", '1,"2"'], ["z", ""]], [2, 3]),
        (b"\xef\xbb\xbfa,b\n1,\xc3\xbc\n", {}, [["a", "b"], ["1", "ü"]], [2]),
        (b"a;b\n1,5;2\n", {"separator": ";"}, [["a", "b"], ["1,5", "2"]], [2]),
        (b"a\tb\n1\t\n", {"separator": "\t"}, [["a", "b"], ["1", ""]], [2]),
        (b"a,b\n1,\xfc\n", {"encoding": "windows-1252"}, [["a", "b"], ["1", "ü"]], [2]),
        (b"a,b\n1,2\n\n\n\n", {}, [["a", "b"], ["1", "2"]], [2]),  # nothing is lost with the empty end
        (b"a,b\n", {}, [["a", "b"]], []),
    ],
)
def test_cells_and_lines(data: bytes, options: dict, expected: list, lines: list[int]) -> None:
    assert cells(data, **options) == (expected, lines, [])


def test_wrong_lines_are_left_out_and_the_others_keep_their_line() -> None:
    found, lines, problems = cells(b"a,b\n1,2\n\n3\n4,5\n6,7,8\n,\n9,10\n")
    assert found == [["a", "b"], ["1", "2"], ["4", "5"], ["9", "10"]]
    assert lines == [2, 5, 8]
    assert [(row["line"], row["found"], row["count"]) for row in problems] == [
        (3, "an empty line", 2),
        (4, "1 fields", 1),
        (6, "3 fields", 1),
    ]


def test_the_encoding_that_is_declared_must_be_the_one_that_is_there() -> None:
    assert cells(b"a,b\n1,\xc3\xbc\n", encoding="windows-1252")[2][0]["found"] == "UTF-8 text"
    assert cells(b"a,b\n1,2\n3,\x81\n", encoding="windows-1252")[2][0]["line"] == 3
    wrong = cells(b"a,b\n1,M\xfcller\n3,M\xfcller\n")[2]
    assert [(row["line"], row["column"], row["found"], row["count"]) for row in wrong] == [
        (2, "b", "Müller", 2)
    ]
    assert 'encoding = "windows-1252"' in wrong[0]["remedy"]


# By reference: the csv module of the standard library, strict --------------------------------------


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.lists(st.sampled_from(["a", "b", " ", ",", ",", '"', "\n", "\n", "\r", "\r\n", "ü", ";"]), max_size=30)
)
def test_what_is_accepted_is_what_a_strict_reader_reads(pieces: list[str]) -> None:
    data = ("h,i\n" + "".join(pieces)).encode()
    found, lines, problems = cells(data)
    if problems:
        return
    rows = list(csv.reader(io.StringIO(data.decode().rstrip("\r\n"), newline=""), strict=True))
    assert found == rows
    assert lines == list(range(2, len(rows) + 1))


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("quoted", [False, True])
def test_a_file_of_many_pieces(end: str, quoted: bool) -> None:
    """Longer than what is looked at together, with texts of all lengths, runs of the same, and empty ones."""
    rng = np.random.default_rng(3)
    texts = [
        "",
        "1",
        "a1",
        "P000001",
        "exactly8",
        "exactly9+",
        "x" * 63,
        "x" * 64,
        "x" * 65,
        "ü" * 50,
        "x" * 64 + "y",
    ]
    rows = [["id", "long", "run", "answer"]]
    for number in range(9000):
        rows.append(
            [f"P{number:06d}", texts[rng.integers(len(texts))], texts[number // 900], str(rng.integers(0, 5))]
        )
    file = io.StringIO()
    style = csv.QUOTE_ALL if quoted else csv.QUOTE_MINIMAL
    csv.writer(file, lineterminator=end, quoting=style).writerows(rows)
    data = file.getvalue().encode()
    assert len(data) > 4 * 2**16
    found, lines, problems = cells(data)
    assert problems == []
    assert found == rows
    assert lines == list(range(2, 9002))
    # One line of another length: the others stay as they are.
    found, _, problems = cells(data.replace(b"P004500", b"P00,45" if quoted else b"P004,500"))
    assert [row["line"] for row in problems] == ([] if quoted else [4502])
    assert len(found) == 9001 - (not quoted)


# By law: what is written is read again -------------------------------------------------------------


@settings(max_examples=50, deadline=None, derandomize=True)
@given(
    rows=st.lists(
        st.tuples(
            *[st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=5)] * 2
        ),
        max_size=5,
    ),
    end=st.sampled_from(["\n", "\r\n"]),
    separator=st.sampled_from([",", ";", "\t"]),
)
def test_written_cells_come_back(rows: list[tuple[str, str]], end: str, separator: str) -> None:
    rows = [("id", "text"), *((f"r{first}", second) for first, second in rows)]
    file = io.StringIO()
    csv.writer(file, lineterminator=end, delimiter=separator, quoting=csv.QUOTE_ALL).writerows(rows)
    found, _, problems = cells(file.getvalue().encode(), separator=separator)
    assert problems == []
    assert found == [list(row) for row in rows]
