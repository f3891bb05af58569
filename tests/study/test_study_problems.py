"""Spoilt study folders: every problem is found where it is, and nothing in the folder changes."""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path

import pandas as pd
import pytest

from cohortlib.errors import StudyError
from cohortlib.study import check_study, read_study


def spoil(folder: Path, file: str, old: str, new: str | bytes) -> None:
    """Replace a text that stands exactly once in a file."""
    path = folder / file
    data = path.read_bytes()
    assert data.count(old.encode()) == 1, f"{old!r} stands {data.count(old.encode())} times in {file}"
    path.write_bytes(data.replace(old.encode(), new if isinstance(new, bytes) else new.encode()))


def fingerprint(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


# By hand -------------------------------------------------------------------------------------------


def test_a_sound_study_has_no_problem(small_study: Path) -> None:
    problems = check_study(small_study)
    assert problems.empty
    assert list(problems) == ["file", "line", "column", "found", "count", "expected", "remedy"]


def test_all_problems_are_raised_at_once_and_equal_values_are_one_row(small_study: Path) -> None:
    hips = small_study / "tables/hips.csv"
    hips.write_bytes(hips.read_bytes().replace(b",left,", b",L,").replace(b"2030-05-12", b"12.05.2030"))
    spoil(small_study, "study.toml", 'comparator = "short_stem"', 'comparator = "shortstem"')
    with pytest.raises(StudyError) as caught:
        read_study(small_study)
    problems = caught.value.problems
    pd.testing.assert_frame_equal(problems, check_study(small_study))
    rows = problems.astype(object)[["file", "line", "column", "found", "count"]].to_numpy().tolist()
    assert ["study.toml", 3, "comparator", "shortstem", 1] in rows
    assert ["tables/hips.csv", 2, "side", "L", 2] in rows
    assert ["tables/hips.csv", 4, "surgery_date", "12.05.2030", 1] in rows
    # The marks on P01's left hip are not called wrong because the side could not be read.
    assert len(rows) == 3


def test_lines_are_those_of_a_spreadsheet(small_study: Path) -> None:
    # A quoted line break stays within its line.
    spoil(small_study, "tables/hips.csv", "Cup A,2030-01-10", '"Cup\nA",2030-01-10')
    spoil(small_study, "tables/hips.csv", "H04,P03,right", "H04,P03,rechts")
    problems = check_study(small_study)
    assert problems[["line", "found"]].to_numpy().tolist() == [[5, "rechts"]]


def test_many_distinct_wrong_values_are_counted_not_listed(small_study: Path) -> None:
    rows = "".join(f"X{number},before,2030-01-01\n" for number in range(50))
    path = small_study / "tables/visits.csv"
    path.write_bytes(path.read_bytes() + rows.encode())
    problems = check_study(small_study)
    assert len(problems) == 21
    assert problems["count"].sum() == 50
    assert problems.iloc[-1][["line", "found", "count"]].tolist() == [29, "30 other values", 30]


def test_an_unknown_patient_is_named_once_a_table(small_study: Path) -> None:
    spoil(
        small_study,
        "tables/answers.csv",
        "P01,before,oxford_hip_score,2,0",
        "P09,before,oxford_hip_score,2,0",
    )
    problems = check_study(small_study)
    assert problems[["file", "line", "column", "found"]].to_numpy().tolist() == [
        ["tables/answers.csv", 3, "patient_id", "P09"]
    ]


# By failure ----------------------------------------------------------------------------------------

CELLS = [
    # file, what stands there, what is put there, what is said: place, column, value, expected, remedy
    (
        "hips",
        "head_diameter_mm,cup",
        "head_mm,cup",
        r"hips\.csv line 1, head_diameter_mm: found no such column",
    ),
    (
        "patients",
        "sex,",
        "gender,",
        r"patients\.csv line 1, sex: found no such column.*'sex': sex.*Add the column",
    ),
    ("patients", "birth_year", "Birth_Year", r"line 1, birth_year: .*Rename column 'Birth_Year'"),
    (
        "patients",
        "mass_kg",
        "weight",
        r"line 1, weight: found unknown column weight.*one of 'patient_id'.*'x_'",
    ),
    ("patients", "mass_kg", "height_cm", r"line 1: found 'height_cm'.*each once.*Rename or delete"),
    (
        "hips",
        "H01,P01,left",
        "H01,P01,L",
        r"hips\.csv line 2, side: found 'L'\. .*'left' or 'right'.*spellings",
    ),
    ("hips", "H01,P01,left", "H01,P01,Left", r"side: found 'Left'.*did you mean 'left'"),
    ("hips", "H01,P01,left", "H01,P01,left ", r"side: found 'left '.*Remove the spaces"),
    ("hips", "H01,P01,left", "H01,P01,", r"line 2, side: found ''.*Fill in the cell"),
    ("hips", "H02,", "H01,", r"hips\.csv line 3, hip_id: found 'H01'.*each hip_id once.*line 2\)"),
    (
        "hips",
        "H03,P02,right",
        "H03,P02,left",
        r"line 4, patient_id, side: found P02, left.*each patient_id with",
    ),
    ("hips", "H01,P01,left,resurfacing", "H01,P01,left,stem", r"line 2, arm: found 'stem'.*\[\[arms\]\]"),
    (
        "hips",
        "H01,P01",
        "H01,P09",
        r"hips\.csv line 2, patient_id: found 'P09'.*a patient of tables/patients\.csv",
    ),
    ("hips", "H01", "=1+1", r"hip_id: found '=1\+1'.*an id:.*Replace the formula by the id itself"),
    ("hips", "H01", "@SUM(A1)", r"hip_id: found '@SUM\(A1\)'.*Replace the formula"),
    ("hips", "H01", "..", r"hip_id: found '\.\.'.*an id"),
    ("hips", "Cup A,2030-01-10", "=cmd|x,2030-01-10", r"device: found '=cmd\|x'.*must not run as a formula"),
    (
        "hips",
        "Cup A,2030-01-10",
        "Cup\x07A,2030-01-10",
        r"device: found 'Cup\\\\x07A'.*no control characters",
    ),
    ("hips", "2030-01-10", "10/01/2030", r"line 2, surgery_date: found '10/01/2030'.*2031-06-30.*day first"),
    ("hips", "2030-01-10", "2030-02-30", r"line 2, surgery_date: found '2030-02-30'.*a date"),
    (
        "hips",
        "2030-01-10",
        "2033-01-10",
        r"surgery_date: found '2033-01-10'.*data_cut in study\.toml, 2032-12-31",
    ),
    ("hips", "2030-01-10", "1969-01-10", r"surgery_date: found '1969-01-10'.*birth year of P01"),
    ("hips", ",48,54", ",480,54", r"line 2, head_diameter_mm: found '480'.*from 20 to 70 mm"),
    ("hips", ",48,54", ",48 mm,54", r"head_diameter_mm: found 48 mm.*Write the number alone"),
    ("hips", ",48,54", ",nan,54", r"head_diameter_mm: found 'nan'.*leave the cell empty"),
    ("patients", "70.5", "1e400", r"mass_kg: found '1e400'.*a number from 30 to 250 kg"),
    ("patients", "1970", "1970.5", r"birth_year: found '1970\.5'.*a whole number from 1900 to 2100"),
    ("patients", "1970", "٢٠٠٠", r"birth_year: found '٢٠٠٠'.*a whole number"),
    ("visits", "P03,before", "P09,before", r"visits\.csv line 7, patient_id: found 'P09'.*add the patient"),
    (
        "visits",
        "P03,before",
        "P03,befor",
        r"visits\.csv line 7, visit_id: found 'befor'.*did you mean 'before'",
    ),
    ("visits", "P01,week_6", "P01,before", r"line 3, patient_id, visit_id: found P01, before.*each .* once"),
    (
        "visits",
        "2030-02-21",
        "2030-01-05",
        r"line 3, date: found '2030-01-05'.*from the operation on.*2030-01-10",
    ),
    (
        "visits",
        "2030-01-20",
        "2030-02-03",
        r"line 5, date: found '2030-02-03'.*up to the operation.*2030-02-01",
    ),
    ("visits", "2031-01-10", "2030-02-20", r"line 4, date: found '2030-02-20'.*after visit week_6 of P01"),
    (
        "images",
        "I03,P02,week_6",
        "I03,P02,month_12",
        r"images\.csv line 4, patient_id, visit_id: found P02, month",
    ),
    (
        "images",
        "images/I01.dcm",
        "../I01.dcm",
        r"images\.csv line 2, path: found '\.\./I01\.dcm'.*below the study",
    ),
    (
        "images",
        "images/I01.dcm",
        "images/../../I01",
        r"path: found 'images/\.\./\.\./I01'.*into the study folder",
    ),
    ("images", "images/I01.dcm", "/etc/passwd", r"path: found '/etc/passwd'.*below the study"),
    ("images", "images/I01.dcm", r"C:\I01.dcm", r"path: found 'C:.*below the study"),
    ("images", "images/I01.dcm", "file://host/I01", r"path: found 'file://host/I01'.*below the study"),
    (
        "landmarks",
        "I01,R1,1,head_edge,left",
        "I01,R1,1,head_edge,right",
        r"line 4, side: found 'right'.*\(P01\)",
    ),
    ("landmarks", "2031-02-01T09:01:00Z", "9 o'clock", r"marked_at: found 9 o'clock.*a datetime"),
    ("landmarks", "520,780", '"520,5",780', r"x_px: found '520,5'.*Write the number with '\.'"),
    (
        "answers",
        "before,oxford_hip_score,1,1",
        "before,oxford_hip_score,1,7",
        r"line 2, answer: found '7'.*0 to 4",
    ),
    (
        "answers",
        "month_12,oxford_hip_score,1,4",
        "month_12,oxford_hip_score,13,4",
        r"line 4, item: found '13'.*1 to 12",
    ),
    (
        "answers",
        "month_12,oxford_hip_score,1,4",
        "week_6,oxford,1,4",
        r"instrument: found 'oxford'.*\[\[instruments",
    ),
    (
        "answers",
        "P01,before,oxford_hip_score,2,0",
        "P01,before,oxford_hip_score,1,0",
        r"line 3, .*P01, before, .*, 1",
    ),
    (
        "answers",
        "P01,before,oxford_hip_score,2,0",
        "P03,week_6,oxford_hip_score,1,0",
        r"P03, week_6.*Add the visit",
    ),
]


@pytest.mark.parametrize(("table", "old", "new", "match"), CELLS)
def test_a_wrong_cell(small_study: Path, table: str, old: str, new: str, match: str) -> None:
    spoil(small_study, f"tables/{table}.csv", old, new)
    before = fingerprint(small_study)
    with pytest.raises(StudyError, match=match):
        read_study(small_study)
    assert fingerprint(small_study) == before


FILES = [
    ("hips", lambda data: data.replace(b",", b";"), r"hips\.csv line 1: found semicolons.*separator = \";\""),
    ("hips", lambda data: data.replace(b",", b"\t"), r"hips\.csv line 1: found tabs.*separator = \"\\t\""),
    (
        "hips",
        lambda data: data.replace(b"Stem B,2030-02", b"St\xfcm,2030-02"),
        r"line 3, device: found 'Stüm'.*UTF-8",
    ),
    (
        "hips",
        lambda data: data.replace(b"surgeon_id", b"surgeon,id"),
        r"line 2: found 9 fields \(4 rows\).*10 fields",
    ),
    (
        "hips",
        lambda data: data.replace(b",48,54", b",48,54,"),
        r"line 2: found 10 fields.*9 fields, as in the header",
    ),
    ("hips", lambda data: data.replace(b",48,54", b",48"), r"line 2: found 8 fields.*9 fields"),
    (
        "hips",
        lambda data: data.replace(b"H02", b"\nH02"),
        r"line 3: found an empty line.*Delete the line",
    ),
    ("hips", lambda data: data + b",,,,,,,,\n", r"line 6: found an empty line.*Delete the line"),
    (
        "hips",
        lambda data: data.replace(b"Cup A,2030-01", b'"Cup A,2030-01'),
        r"line 2: found .*quotation marks only",
    ),
    (
        "hips",
        lambda data: data.replace(b"Cup A,2030-01", b'36" cup,2030-01'),
        r"line 2: found .*each mark within",
    ),
    (
        "hips",
        lambda data: data.replace(b"Cup A,2030-01", b"C\0A,2030-01"),
        r"hips\.csv line 2: found a NUL byte",
    ),
    ("hips", lambda data: data.decode().encode("utf-16"), r"hips\.csv line 1: found UTF-16 text.*CSV UTF-8"),
    ("hips", lambda data: b"", r"hips\.csv line 1: found an empty file.*a header line"),
    ("hips", lambda data: b"\n" + data, r"hips\.csv line 1: found an empty line.*a header line"),
    (
        "hips",
        lambda data: data.replace(b"Cup A,2030-01", b"C" * 200_000 + b",2030-01"),
        r"C… \(200000 letters\)",
    ),
    ("hips", lambda data: b"a," * 100_000 + b"\n", r"line 1: found .*a header of at most 200 names"),
]


@pytest.mark.parametrize(("table", "change", "match"), FILES)
def test_a_wrong_file(small_study: Path, table: str, change, match: str) -> None:
    path = small_study / f"tables/{table}.csv"
    path.write_bytes(change(path.read_bytes()))
    before = fingerprint(small_study)
    with pytest.raises(StudyError, match=match):
        read_study(small_study)
    assert fingerprint(small_study) == before


def test_a_decimal_comma_names_the_key_to_declare(small_study: Path) -> None:
    spoil(small_study, "tables/patients.csv", "70.5", '"70,5"')
    with pytest.raises(
        StudyError, match=r'line 2, mass_kg: found \'70,5\'.*decimal = "," in study\.toml \[files\]'
    ):
        read_study(small_study)


def test_missing_and_unknown_files(small_study: Path) -> None:
    (small_study / "tables/hips.csv").rename(small_study / "tables/Hips.csv")
    with pytest.raises(
        StudyError, match=r"tables/hips\.csv: found no such file.*Put the file there"
    ) as caught:
        read_study(small_study)
    match = r"tables/: found 'Hips\.csv'.*'patients\.csv', .*did you mean 'hips\.csv'"
    assert re.search(match, str(caught.value))


def test_a_folder_that_is_no_study(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=r"study\.toml: found no folder .*nowhere.*Correct the path"):
        read_study(tmp_path / "nowhere")
    with pytest.raises(StudyError, match=r"study\.toml: found no such file"):
        read_study(tmp_path)


def test_links_that_leave_the_folder_are_refused(small_study: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    os.symlink(outside, small_study / "images")
    (small_study / "tables/hips.csv").rename(outside / "hips.csv")
    os.symlink(outside / "hips.csv", small_study / "tables/hips.csv")
    problems = check_study(small_study)
    assert set(problems["file"]) == {"tables/images.csv", "tables/hips.csv"}
    assert problems.loc[problems["file"] == "tables/hips.csv", "found"].item().startswith("a link to")
    assert problems.loc[problems["file"] == "tables/images.csv", "found"].tolist() == [
        "images/I01.dcm",
        "images/I02.dcm",
        "images/P02/I03.dcm",
    ]


def test_something_that_is_no_file(small_study: Path) -> None:
    (small_study / "tables/answers.csv").unlink()
    os.mkfifo(small_study / "tables/answers.csv")
    with pytest.raises(StudyError, match=r"answers\.csv: found something that is no regular file"):
        read_study(small_study)


def test_image_files_are_asked_for_on_demand(small_study: Path) -> None:
    (small_study / "images").mkdir()
    (small_study / "images/I01.dcm").write_bytes(b"")
    assert check_study(small_study).empty
    problems = check_study(small_study, images=True)
    assert problems["found"].tolist() == ["images/I02.dcm", "images/P02/I03.dcm"]
    assert problems["line"].tolist() == [3, 4]


def answers(patients: int, *, before: int, after: int) -> str:
    rows = ["patient_id,visit_id,instrument,item,answer"]
    for patient in range(patients):
        for visit, answer in (("before", before), ("month_12", after)):
            rows += [f"Q{patient},{visit},oxford_hip_score,{item},{answer}" for item in (1, 2)]
    return "\n".join(rows)


def add_patients(folder: Path, number: int) -> None:
    for table, row in (
        ("patients", "Q{0},male,1970,,\n"),
        ("hips", "HQ{0},Q{0},left,short_stem,Stem B,2030-01-10,,36,\n"),
        ("visits", "Q{0},before,2030-01-02\nQ{0},month_12,2031-01-10\n"),
    ):
        with open(folder / f"tables/{table}.csv", "a", encoding="utf-8") as file:
            file.write("".join(row.format(patient) for patient in range(number)))


def test_a_file_coded_1_to_5_is_not_taken_for_0_to_4(small_study: Path) -> None:
    add_patients(small_study, 3)
    (small_study / "tables/answers.csv").write_text(answers(3, before=5, after=1))
    match = r"answers\.csv line 2, answer: found answers from 1 to 5 and none of 0 \(12 rows\)\. .*Recode"
    with pytest.raises(StudyError, match=match):
        read_study(small_study)


def test_scores_that_fall_after_surgery_put_the_direction_in_doubt(small_study: Path) -> None:
    add_patients(small_study, 6)
    path = small_study / "tables/answers.csv"
    path.write_text(answers(6, before=3, after=1))
    match = (
        r"answer: found 6 of 6 patients worse after surgery.*'high is good'.*not guessed.*direction_confirmed"
    )
    with pytest.raises(StudyError, match=match):
        read_study(small_study)
    path.write_text(answers(6, before=1, after=3))
    read_study(small_study)
    # A study in which patients really are worse can be read once someone has looked.
    path.write_text(answers(6, before=3, after=1))
    spoil(
        small_study,
        "study.toml",
        'direction = "high is good"',
        'direction = "high is good"\ndirection_confirmed = true',
    )
    read_study(small_study)


def test_few_patients_put_no_direction_in_doubt(small_study: Path) -> None:
    add_patients(small_study, 4)
    (small_study / "tables/answers.csv").write_text(answers(4, before=3, after=1))
    read_study(small_study)
