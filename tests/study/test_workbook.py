"""A workbook gives the tables that CSV files would, or a sentence about what the spreadsheet made of them."""

from __future__ import annotations

import datetime
import hashlib
import io
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from small_study_files import small_study_text
from workbook_files import declare, small_sheets, with_formula, with_parts, workbook_bytes, workbook_study

from cohortlib.errors import StudyError
from cohortlib.study import check_study, read_study
from cohortlib.study.sources.csv_file import text_table
from cohortlib.study.sources.workbook import read_workbook
from cohortlib.tables import Study

SOUND = workbook_bytes(small_sheets())
HIPS = "xl/worksheets/sheet2.xml"
ANSWERS = "xl/worksheets/sheet6.xml"


def assert_same_tables(one: Study, other: Study) -> None:
    assert set(one.tables) == set(other.tables)
    for name, table in one.tables.items():
        pd.testing.assert_frame_equal(table, other.tables[name])


def changed(change: Callable[[openpyxl.Workbook], object]) -> bytes:
    return workbook_bytes(small_sheets(), change=change)


def with_cell(sheet: str, place: str, value: Any, number_format: str = "General") -> bytes:
    def change(book: openpyxl.Workbook) -> None:
        book[sheet][place].value = value
        book[sheet][place].number_format = number_format

    return changed(change)


# By hand -------------------------------------------------------------------------------------------


def test_a_sheet_a_table_is_the_study_of_the_csv_files(small_study: Path) -> None:
    expected = read_study(small_study)
    assert_same_tables(read_study(workbook_study(small_study, SOUND)), expected)


def test_csv_files_may_stand_beside_a_workbook(small_study: Path) -> None:
    expected = read_study(small_study)
    sheets = small_sheets()
    del sheets["answers"]
    workbook_study(small_study, workbook_bytes(sheets))
    (small_study / "tables/answers.csv").write_text(small_study_text("tables/answers.csv"))
    assert_same_tables(read_study(small_study), expected)


def test_sheets_and_headings_of_an_export_are_read_where_declared(small_study: Path) -> None:
    expected = read_study(small_study)
    sheets = small_sheets()
    sheets = {
        {"patients": "Patienten", "hips": "Hips 2031"}.get(name, name): rows for name, rows in sheets.items()
    }
    sheets["Patienten"][0][0] = "Pat.-Nr."
    sheets["Notes"] = [["asked the ward", "12"], [None, "x"]]
    more = (
        'other_sheets = ["Notes"]\n[sheets]\npatients = "Patienten"\nhips = "Hips 2031"\n'
        '[columns.patients]\n"Pat.-Nr." = "patient_id"\n'
    )
    assert_same_tables(read_study(workbook_study(small_study, workbook_bytes(sheets), more=more)), expected)


def test_a_formula_counts_with_the_value_it_had_when_the_file_was_saved(small_study: Path) -> None:
    # The formula would give 166: nothing is worked out here, the cell is read as the person saw it.
    parts = with_formula("patients", "D2", "160+6", "165")
    study = read_study(workbook_study(small_study, with_parts(SOUND, parts)))
    assert study.patients["height_cm"].tolist()[0] == 165


def test_a_formula_that_gives_an_empty_text_is_an_empty_cell(small_study: Path) -> None:
    parts = with_formula("patients", "E2", 'IF(A1="","",A1)', None, kind="str")
    assert pd.isna(
        read_study(workbook_study(small_study, with_parts(SOUND, parts))).patients["mass_kg"].iloc[0]
    )


def test_ids_with_zeros_in_front_stay_as_they_are_if_the_cells_are_text(small_study: Path) -> None:
    sheets = small_sheets()
    for rows in sheets.values():
        for row in rows:
            row[:] = [{"P01": "0012", "P02": "NA", "P03": "1e5"}.get(value, value) for value in row]
    study = read_study(workbook_study(small_study, workbook_bytes(sheets)))
    assert study.patients["patient_id"].tolist() == ["0012", "NA", "1e5"]


def test_days_of_a_workbook_that_counts_from_1904(small_study: Path) -> None:
    expected = read_study(small_study)

    def change(book: openpyxl.Workbook) -> None:
        book.epoch = CALENDAR_MAC_1904

    assert_same_tables(read_study(workbook_study(small_study, changed(change))), expected)


def test_numbers_get_the_decimal_mark_of_the_study(small_study: Path) -> None:
    expected = read_study(small_study)
    assert_same_tables(
        read_study(workbook_study(small_study, SOUND, more='decimal = ","\nseparator = ";"\n')), expected
    )


def test_rows_below_the_table_that_were_once_touched_do_not_count(small_study: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        for row in range(6, 40):
            book["hips"].cell(row, 1).number_format = "0.00"

    assert check_study(workbook_study(small_study, changed(change))).empty


def test_lines_are_the_rows_of_the_sheet(small_study: Path) -> None:
    problems = check_study(workbook_study(small_study, with_cell("hips", "C4", "rechts")))
    assert problems[["file", "line", "column", "found"]].to_numpy().tolist() == [
        ["tables.xlsx, sheet 'hips',", 4, "side", "rechts"]
    ]


# By reference: days by their number ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "day"),
    [
        # Serial values of the 1900 date base: ECMA-376-1:2016, 18.17.4.1 (1 is the first of January 1900);
        # those below from days between dates: 36526 = 2000-01-01, from memory, common practice.
        (36526, "2000-01-01"),
        (47493, "2030-01-10"),  # 36526 + 10967 days
        (47493.0, "2030-01-10"),
    ],
)
def test_a_number_shown_as_a_day_is_that_day(small_study: Path, number: float, day: str) -> None:
    assert (pd.Timestamp("2000-01-01") + pd.Timedelta(days=number - 36526)) == pd.Timestamp(day)
    sheets = small_sheets()
    sheets["patients"][0].append("consent_date")
    for row in sheets["patients"][1:]:
        row.append(None)
    book = workbook_bytes(
        sheets,
        change=lambda book: (
            setattr(book["patients"]["F2"], "value", number),
            setattr(book["patients"]["F2"], "number_format", "dd/mm/yyyy"),
        ),
    )
    study = read_study(workbook_study(small_study, book))
    assert study.patients["consent_date"].iloc[0] == pd.Timestamp(day)


# By law: a sheet and a CSV file of the same cells are the same text ---------------------------------

NUMBERS = st.one_of(
    st.none(),
    st.integers(-(10**9), 10**9),
    st.floats(-1e9, 1e9).map(lambda value: round(value, 6)).filter(lambda value: value != int(value)),
)
TEXTS = st.text(st.sampled_from("aZ é,;\"'0.9_-\n=<&>"), max_size=6)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(rows=st.lists(st.tuples(st.sampled_from(["P01", "0012", "1e5", "NA"]), NUMBERS, TEXTS), max_size=6))
def test_the_same_cells_are_the_same_text(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[Any, ...]]
) -> None:
    folder, header = tmp_path_factory.mktemp("same"), ["id", "number", "text"]
    # A text that begins with = would be written as a formula.
    rows = [(name, number, text.lstrip("=") or None) for name, number, text in rows]
    (folder / "t.xlsx").write_bytes(workbook_bytes({"t": [header, *rows]}))
    book, problems = read_workbook(folder, "t.xlsx", sheets={"t": "t"}, others=())
    assert problems == []
    assert book is not None
    assert book.problems["t"] == []
    written = pd.DataFrame(rows, columns=header, dtype=object)
    data = written.to_csv(index=False).encode()
    expected, problems = text_table(data, file="t", encoding="utf-8", separator=",")
    assert problems == []
    sheet = book.sheets["t"]
    assert sheet is not None
    pd.testing.assert_frame_equal(sheet.astype("str"), expected.astype("str"), check_index_type=False)


# By failure: what the spreadsheet made of the cells ------------------------------------------------

CELLS = [
    # sheet, place, value, number format, what is said: place, value, expected, remedy
    (
        "hips",
        "A2",
        datetime.date(2026, 3, 1),
        "d-mmm",
        r"line 2, hip_id: found '2026-03-01'\. Expected no date.*took it for a date.*as text",
    ),
    (
        "hips",
        "E2",
        datetime.date(2026, 3, 1),
        "d-mmm",
        r"line 2, device: found '2026-03-01'\. Expected no date",
    ),
    (
        "answers",
        "E2",
        datetime.date(1900, 1, 4),
        "d-mmm",
        r"line 2, answer: found '1900-01-04'\. Expected no date",
    ),
    (
        "hips",
        "A2",
        12,
        "0000",
        r"line 2, hip_id: found '12'\. Expected an id as text.*zeros in front are shown and not stored",
    ),
    (
        "hips",
        "A2",
        1.5,
        "General",
        r"hip_id: found '1\.5'\. Expected an id as text\. The spreadsheet took the id for a number",
    ),
    ("hips", "A2", 12345678901234567, "0", r"hip_id: found '1\.234567890123.*an id as text"),
    ("patients", "D2", 1.72, "0.00", r"height_cm: found '1\.72'.*1\.72 m are 172 cm: if the column is in m"),
    ("patients", "D2", "1,72", "General", r"height_cm: found '1,72'.*Write the number with"),
    ("patients", "B2", True, "General", r"sex: found 'TRUE'\. Expected no logical value"),
    (
        "patients",
        "D2",
        0.165,
        "0%",
        r"height_cm: found '16\.5%'\. Expected the number itself.*a hundred times",
    ),
    ("hips", "F2", 47493, "General", r"line 2, surgery_date: found '47493'.*count of days: format the cells"),
    ("hips", "F2", "10.01.2030", "General", r"surgery_date: found '10\.01\.2030'.*day first"),
    (
        "hips",
        "F2",
        datetime.datetime(2030, 1, 10, 8, 30),
        "d/m/yy h:mm",
        r"surgery_date: found '2030-01-10T08:30:00'\. Expected a date",
    ),
    ("hips", "F2", datetime.time(8, 30), "hh:mm", r"surgery_date: found '08:30:00'\. Expected a date"),
    (
        "hips",
        "I2",
        "#N/A",
        "General",
        r"cup_diameter_mm: found '#N/A'\. Expected a value\. The spreadsheet could not work",
    ),
    ("hips", "A2", " H01", "General", r"hip_id: found ' H01'.*Remove the spaces"),
    (
        "hips",
        "L2",
        "a note",
        "General",
        r"sheet 'hips', line 2: found a note\. Expected a value below a heading",
    ),
    (
        "hips",
        "A1",
        None,
        "General",
        r"sheet 'hips', line 1: found ''\. Expected one name a column, each once",
    ),
    ("hips", "B1", "hip_id", "General", r"line 1: found 'hip_id'\. Expected one name a column, each once"),
    (
        "hips",
        "A7",
        "H09",
        "General",
        r"line 6: found an empty line\. Expected a row with values\. Delete the row",
    ),
]


def assert_refused(folder: Path, match: str) -> None:
    before = {path: hashlib.sha256(path.read_bytes()).digest() for path in folder.rglob("*.*")}
    with pytest.raises(StudyError, match=match):
        read_study(folder)
    assert {path: hashlib.sha256(path.read_bytes()).digest() for path in folder.rglob("*.*")} == before


@pytest.mark.parametrize(("sheet", "place", "value", "number_format", "match"), CELLS)
def test_a_changed_cell(
    small_study: Path, sheet: str, place: str, value: Any, number_format: str, match: str
) -> None:
    assert_refused(workbook_study(small_study, with_cell(sheet, place, value, number_format)), match)


@pytest.mark.parametrize(
    ("formula", "value", "kind", "match"),
    [
        ("160+5", None, "", r"line 2, height_cm: found a formula without a value.*no formula is run here"),
        ("1/0", "#DIV/0!", "e", r"line 2, height_cm: found '#DIV/0!'.*could not work it out"),
        ("YEAR(TODAY())-1865", "165", "", r"found '=YEAR\(TODAY\(\)\)-1865'\. Expected a value that stays"),
        ("[1]Sheet1!A1", "165", "", r"height_cm: found '=\[1\]Sheet1!A1'.*another file: write the value"),
    ],
)
def test_a_formula(small_study: Path, formula: str, value: str | None, kind: str, match: str) -> None:
    workbook = with_parts(SOUND, with_formula("patients", "D2", formula, value, kind=kind))
    assert_refused(workbook_study(small_study, workbook), match)


# By failure: sheets --------------------------------------------------------------------------------

SHEETS: list[tuple[Callable[[openpyxl.Workbook], object], str]] = [
    (
        lambda book: setattr(book["hips"], "title", "hip"),
        r"found no sheet 'hips'\. Expected a sheet for the table hips, among .*did you mean 'hip'",
    ),
    (
        lambda book: setattr(book["hips"], "title", "hip"),
        r"found sheet 'hip'\. Expected sheets named .*did you mean 'hips'",
    ),
    (lambda book: book.create_sheet("Sheet2"), r"tables\.xlsx: found sheet 'Sheet2'\..*other_sheets"),
    (
        lambda book: setattr(book.create_sheet("old"), "sheet_state", "hidden"),
        r"found sheet 'old'\..*other_sheets",
    ),
    (
        lambda book: setattr(book["hips"], "sheet_state", "hidden"),
        r"found sheet 'hips', which is hidden\..*Show the sheet and look",
    ),
    (lambda book: setattr(book["hips"], "sheet_state", "veryHidden"), r"found sheet 'hips', which is hidden"),
    (
        lambda book: book["hips"].merge_cells("D2:D3"),
        r"sheet 'hips',: found merged cells\..*Split the merged cells",
    ),
    (
        lambda book: book["hips"].insert_rows(1),
        r"sheet 'hips', line 1: found an empty line\. Expected a header line",
    ),
    (
        lambda book: book["hips"].delete_rows(1, 99),
        r"sheet 'hips', line 1: found an empty line\. Expected a header line",
    ),
    (
        lambda book: [book["hips"].cell(1, column, f"x_{column}") for column in range(1, 250)],
        r"found 2\d\d columns\. Expected a header of at most 200",
    ),
]


@pytest.mark.parametrize(("change", "match"), SHEETS)
def test_a_wrong_sheet(small_study: Path, change: Callable[[openpyxl.Workbook], object], match: str) -> None:
    assert_refused(workbook_study(small_study, changed(change)), match)


def test_a_table_in_two_places(small_study: Path) -> None:
    workbook_study(small_study, SOUND)
    (small_study / "tables/hips.csv").write_text(small_study_text("tables/hips.csv"))
    assert_refused(small_study, r"tables/hips\.csv and tables\.xlsx, sheet 'hips',.*one place for a table")


# By failure: files that are no workbook, or want to be more ----------------------------------------


def one_part(name: str, content: bytes = b"x") -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, content)
    return file.getvalue()


def encrypted(data: bytes) -> bytes:
    """The flag of encryption in all headers of an archive (APPNOTE 6.3.10 of the ZIP format, 4.4.4)."""
    content = bytearray(data)
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = content.find(mark)
        while place >= 0:
            flags = struct.unpack_from("<H", content, place + offset)[0] | 1
            struct.pack_into("<H", content, place + offset, flags)
            place = content.find(mark, place + 4)
    return bytes(content)


def understated(data: bytes) -> bytes:
    """An archive whose list says that its first part is smaller than it is."""
    content = bytearray(data)
    place = content.find(b"PK\x01\x02")
    struct.pack_into("<I", content, place + 24, 10)
    return bytes(content)


ENTITIES = b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "0123456789">]><worksheet/>'
OUT_OF_ORDER = [
    # A reader that trusts the numbers leaves out the second of two rows of the same number, and the
    # cells to the right of the last one.
    lambda content: content.replace(b'<row r="4"', b'<row r="3"').replace(b'="A4"', b'="A3"'),
    lambda content: content.replace(b'r="C3"', b'r="A3"'),
    lambda content: content.replace(b'r="A3"', b'r="A4"'),
    lambda content: content.replace(b'<row r="5"', b'<row r="999999999"'),
]
ARCHIVES: list[tuple[bytes, str]] = [
    (b"", r"tables\.xlsx: found a damaged file \(.*\)\. Expected an \.xlsx workbook\. Open the file"),
    (b"hip_id,patient_id\n", r"found a damaged file"),
    (SOUND[: len(SOUND) // 2], r"found a damaged file"),
    (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600),
        r"locked by a password, or of the old kind \.xls\..*without a password",
    ),
    (encrypted(SOUND), r"found a part that is locked by a password"),
    (understated(SOUND), r"found a damaged file"),
    (one_part("readme.txt"), r"found an archive that holds no workbook"),
    (
        with_parts(SOUND, {}, more={"../../evil.xml": b"<a/>"}),
        r"found a part named '\.\./\.\./evil\.xml', outside the workbook",
    ),
    (with_parts(SOUND, {}, more={"/etc/cron.d/x": b"x"}), r"found a part named '/etc/cron\.d/x', outside"),
    (with_parts(SOUND, {}, more={"xl\\..\\..\\x": b"x"}), r"found a part named .*, outside the workbook"),
    (with_parts(SOUND, {}, more={"C:x": b"x"}), r"found a part named 'C:x', outside the workbook"),
    (
        with_parts(SOUND, {}, more={f"xl/{number}": b"" for number in range(1000)}),
        r"found 10\d\d parts, more than 1000",
    ),
    (
        with_parts(SOUND, {}, more={"xl/media/x.png": bytes(30_000_000)}),
        r"found 300\d\d\d\d\d bytes unpacked, more than 100 times",
    ),
    (
        with_parts(SOUND, {HIPS: ENTITIES}),
        r"found a part with declarations of its own \(xl/worksheets/sheet2\.xml\)",
    ),
    (
        with_parts(SOUND, {HIPS: ENTITIES.decode().encode("utf-16")}),
        r"found a part with declarations of its own",
    ),
    (
        with_parts(SOUND, {}, more={"xl/media/x.png": ENTITIES}),
        r"declarations of its own \(xl/media/x\.png\)",
    ),
    (with_parts(SOUND, {HIPS: b"<worksheet><row>"}), r"found a workbook that cannot be read \(ParseError"),
    (
        with_parts(SOUND, {HIPS: lambda content: content.replace(b"<v>48</v>", b"<v>forty</v>")}),
        r"found a workbook that cannot be read \(ValueError",
    ),
    (
        with_parts(
            SOUND, {"xl/workbook.xml": lambda content: content.replace(b"sheet name", b"sheet title")}
        ),
        r"found a workbook that cannot be read",
    ),
    *(
        (
            with_parts(SOUND, {HIPS: change}),
            r"sheet 'hips', line \d+: found a row out of order\. Expected rows from top",
        )
        for change in OUT_OF_ORDER
    ),
]


@pytest.mark.parametrize(("data", "match"), ARCHIVES)
def test_a_wrong_workbook(small_study: Path, data: bytes, match: str) -> None:
    workbook_study(small_study, data)
    around = sorted(small_study.parent.rglob("*"))
    assert_refused(small_study, match)
    assert sorted(small_study.parent.rglob("*")) == around


def test_two_parts_of_one_name(small_study: Path) -> None:
    file = io.BytesIO(SOUND)
    with (
        pytest.warns(UserWarning, match="Duplicate name"),
        zipfile.ZipFile(file, "a", zipfile.ZIP_DEFLATED) as archive,
    ):
        archive.writestr(HIPS, b"<worksheet/>")
    assert_refused(workbook_study(small_study, file.getvalue()), r"found two parts of the same name")


@pytest.mark.parametrize(
    ("path", "match"),
    [
        ("other.xlsx", r"other\.xlsx: found no such file"),
        ("../tables.xlsx", r"\[files\] workbook: found '\.\./tables\.xlsx'.*below the study folder"),
        ("tables.xls", r"\[files\] workbook: found 'tables\.xls'.*Save the workbook as \.xlsx"),
        ("linked.xlsx", r"linked\.xlsx: found a link to .*a file within the study folder"),
    ],
)
def test_a_wrong_place(small_study: Path, path: str, match: str) -> None:
    outside = small_study.parent / "tables.xlsx"
    outside.write_bytes(SOUND)
    (small_study / "linked.xlsx").symlink_to(outside)
    declare(small_study, f'[files]\nworkbook = "{path}"\n')
    assert_refused(small_study, match)
