"""The commands `new` and `check --html`, and the page of what a check found."""

from __future__ import annotations

import datetime
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cohortlib.__main__ import main
from cohortlib.errors import problem, problem_table
from cohortlib.report.problems import KINDS, problem_kind, problems_page
from cohortlib.study import check_study

NOW = datetime.datetime(2031, 6, 30, 9, 5, tzinfo=datetime.UTC)
TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=15)
HOSTILE = "<script>alert('x')</script>\u202e&\0"


class Reader(HTMLParser):
    """What a browser finds: tags, the rows of its tables, and the text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.rows: list[list[str]] = []
        self.text = ""
        self.in_cell = False
        self.feed(text.split("<body>\n")[1])

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
            self.in_cell = True

    def handle_endtag(self, tag: str) -> None:
        self.in_cell = self.in_cell and tag not in ("td", "th")

    def handle_data(self, data: str) -> None:
        self.text += data
        if self.in_cell:
            self.rows[-1][-1] += data


def one(**parts: object) -> dict[str, object]:
    usual = {"file": "tables/hips.csv", "found": "L", "expected": "e", "remedy": "r", "line": 2}
    return problem(**{**usual, **parts})


def shown(*rows: dict[str, object], study: str = "my_study") -> Reader:
    return Reader(problems_page(problem_table(rows), study=study, checked_at=NOW))


def fingerprint(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


# By hand -------------------------------------------------------------------------------------------


def test_counts_by_file_and_kind() -> None:
    found = shown(
        one(column="side", count=3),
        one(column="side", found="R", line=9),
        one(column="surgery_date", found="1.1.30"),
        one(file="study.toml", column="title", found=""),
        one(file="study.toml", column="comparator", found="none", line=7),
    )
    assert found.rows[:4] == [
        ["Where", "To fill in", "Definition", "Choices", "Dates", "All", "Rows"],
        ["tables/hips.csv", "", "", "2", "1", "3", "5"],
        ["study.toml", "1", "1", "", "", "2", "2"],
        ["All", "1", "1", "2", "1", "5", "7"],
    ]
    assert "5 problems in 2 files" in found.text
    assert "Checked on 2031-06-30 at 09:05 UTC. Nothing in the folder was changed." in found.text
    assert "To fill in: 1 blank" in found.text
    assert ["title", "e", "2", "(empty)", "1", "r"] in found.rows


def test_what_rows_share_stands_there_once_with_the_meaning_of_the_column() -> None:
    found = shown(one(column="side"), one(column="side", found="R", line=9))
    assert found.rows[-2:] == [["sideside of the patient", "e", "2", "L", "1", "r"], ["9", "R", "1", "r"]]


@pytest.mark.parametrize(
    ("parts", "kind"),
    [
        ({"file": "study.toml", "column": "title", "found": ""}, "to fill in"),
        ({"file": "study.toml", "column": "title", "found": "x"}, "definition"),
        ({"file": "tables/", "line": None}, "files"),
        ({"line": 1, "column": "side"}, "headings"),
        ({"column": "hip_id"}, "ids"),
        ({"column": "side"}, "choices"),
        ({"column": "head_diameter_mm"}, "numbers"),
        ({"column": "marked_at"}, "dates"),
        ({"column": "device"}, "other cells"),
        ({"column": "x_own"}, "other cells"),
        ({"column": "patient_id, side"}, "between cells"),
    ],
)
def test_kinds(parts: dict[str, object], kind: str) -> None:
    assert problem_kind(one(**parts)) == kind
    assert kind in KINDS


def test_nothing_wrong() -> None:
    found = shown()
    assert "Nothing wrong found." in found.text
    assert found.rows == []


def test_new_says_what_to_do_and_check_lists_what_is_blank(tmp_path: Path, capsys) -> None:
    folder = tmp_path / "a study"
    assert main(["new", str(folder), "--title", "Ours"]) == 0
    said = capsys.readouterr().out
    blanks = len(check_study(folder))
    assert f"{blanks} blanks to fill in" in said
    assert f'python -m cohortlib check "{folder}"' in said
    for name in re.findall(r"^  (\S+)", said, re.MULTILINE):
        assert (folder / name).exists()
    assert main(["check", str(folder)]) == 1
    said = capsys.readouterr().out
    assert f"study.toml: {blanks} problems" in said
    assert said.endswith(f"{blanks} problems in 1 file.\n")
    assert main(["new", str(folder)]) == 1
    assert "Name another folder; nothing was written" in capsys.readouterr().err


def test_a_page_is_written_and_written_again(small_study: Path, tmp_path: Path, capsys) -> None:
    page = tmp_path / "check.html"
    before = fingerprint(small_study)
    assert main(["check", str(small_study), "--html", str(page)]) == 0
    assert f"The same as a page: {page}" in capsys.readouterr().out
    assert "Nothing wrong found." in page.read_text("utf-8")
    path = small_study / "tables/hips.csv"
    path.write_bytes(path.read_bytes().replace(b"P01,left", b"P01,L"))
    assert main(["check", str(small_study), "--html", str(page)]) == 1
    assert "1 problem in 1 file" in page.read_text("utf-8")
    assert {name for name, digest in fingerprint(small_study).items() if before[name] != digest} == {
        "tables/hips.csv"
    }
    assert not list(tmp_path.glob(".*"))


# By law --------------------------------------------------------------------------------------------


@settings(max_examples=50)
@example("\0", "", "", "", ";")
@given(TEXT, TEXT, TEXT, TEXT, TEXT)
def test_no_text_becomes_markup_and_none_is_lost(
    file: str, column: str, found: str, expected: str, remedy: str
) -> None:
    row = one(file=file, column=column, found=found, expected=expected, remedy=remedy)
    page = shown(row, study=file)
    plain = shown(one(file="tables/x.csv", column="x", found="x"))
    assert set(page.tags) <= {*plain.tags, "span"}
    for text in (file, column, found, expected, remedy):
        visible = "".join(
            letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in text
        )
        assert visible in page.text
    assert page.text.replace("\n", "").isprintable()


@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(["side", "hip_id", ""])), max_size=12))
def test_every_problem_stands_there_once(places: list[tuple[str, str]]) -> None:
    rows = [one(file=file, column=column, found=f"v{n}") for n, (file, column) in enumerate(places)]
    found = shown(*rows)
    cells = [cell for row in found.rows for cell in row]
    assert all(cells.count(f"v{n}") == 1 for n in range(len(places)))


# By recovery ---------------------------------------------------------------------------------------


def test_the_page_of_a_real_check_is_inert(small_study: Path) -> None:
    path = small_study / "tables/hips.csv"
    text = path.read_text().replace("Cup A", '"=1<img src=x onerror=alert(1)>"').replace("left", HOSTILE[:27])
    path.write_text(text)
    problems = check_study(small_study)
    assert len(problems) >= 2
    page = problems_page(problems, study=HOSTILE, checked_at=NOW)
    found = Reader(page)
    assert not {"script", "img"} & set(found.tags)
    assert HOSTILE[:27] in found.text
    assert "default-src 'none'" in page
    assert not re.search(r"(src|href)=\"(?!#)", page)


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "match"),
    [
        ("study.toml", "no name of a page.*End the name with .html"),
        ("tables/check.html", "among the tables of the study"),
        ("inside/check.html", "among the tables of the study"),
        ("tables/../tables/check.html", "among the tables of the study"),
        ("nowhere/check.html", "no folder .*nowhere"),
        ("dictionary.html", "another file of this name, which would be lost"),
        ("folder.html", "another file of this name"),
        ("a\0b.html", "a place that cannot be used"),
    ],
)
def test_a_place_where_no_page_is_written(small_study: Path, capsys, place: str, match: str) -> None:
    (small_study / "dictionary.html").write_text("<title>Data dictionary</title>")
    (small_study / "folder.html").mkdir()
    (small_study / "inside").symlink_to(small_study / "tables")
    before = fingerprint(small_study)
    assert main(["check", str(small_study), "--html", f"{small_study}/{place}"]) == 1
    err = capsys.readouterr().err
    assert re.search(match, err)
    assert "Traceback" not in err
    assert fingerprint(small_study) == before
