"""Exports with names, dates and forms of their own are read as study.toml says, and never otherwise."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_study_files import small_study_text
from workbook_files import declare

from cohortlib.errors import StudyError
from cohortlib.study import check_study, read_study
from cohortlib.study.dates import time_remedy, times
from cohortlib.study.definition import study_definition
from cohortlib.tables import Study

DAY_FIRST = '[files]\ndates = "day first"\n'
OHS = '[[wide]]\ntable = "answers"\nsource = "ohs"\nvalues = { answer = "OHS_{item}" }\n'
OHS += 'fixed = { instrument = "oxford_hip_score" }\n'


def assert_same_tables(one: Study, other: Study) -> None:
    assert set(one.tables) == set(other.tables)
    for name, table in one.tables.items():
        pd.testing.assert_frame_equal(table, other.tables[name])


def put(folder: Path, table: str, text: str) -> None:
    (folder / f"tables/{table}.csv").write_text(text, encoding="utf-8")


def replaced(folder: Path, table: str, *pairs: tuple[str, str]) -> None:
    path = folder / f"tables/{table}.csv"
    text = path.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def days_turned(folder: Path, form: str) -> None:
    """All days of all tables as an export with the day first writes them."""
    for table in ("hips", "visits"):
        path = folder / f"tables/{table}.csv"
        days = path.read_text().replace("\n", ",\n").split(",")
        turned = [
            pd.Timestamp(day).strftime(form) if day[:3] == "203" and len(day) == 10 else day for day in days
        ]
        path.write_text(",".join(turned).replace(",\n", "\n"))


# By hand: days -------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y"])
def test_days_with_the_day_first_are_read_where_declared(small_study: Path, form: str) -> None:
    expected = read_study(small_study)
    days_turned(small_study, form)
    declare(small_study, DAY_FIRST)
    assert_same_tables(read_study(small_study), expected)


def test_the_third_of_april_is_never_the_fourth_of_march(small_study: Path) -> None:
    replaced(small_study, "visits", ("2030-01-02", "02/01/2030"))
    with pytest.raises(StudyError, match=r"visits\.csv line 2, date: found '02/01/2030'.*cannot be seen"):
        read_study(small_study)
    declare(small_study, DAY_FIRST)
    assert read_study(small_study).visits["date"].iloc[0] == pd.Timestamp("2030-01-02")


@pytest.mark.parametrize(
    ("kind", "text", "moment"),
    [
        ("date", "3.4.2026", "2026-04-03"),
        ("date", "03/04/2026", "2026-04-03"),
        ("date", "29-02-2028", "2028-02-29"),
        ("date", "2026-04-03", "2026-04-03"),
        ("datetime", "03.04.2026 09:15", "2026-04-03T09:15Z"),
        ("datetime", "03.04.2026T09:15:30", "2026-04-03T09:15:30Z"),
        ("datetime", "2026-04-03T09:15:00+02:00", "2026-04-03T07:15Z"),
    ],
)
def test_a_day_first(kind: str, text: str, moment: str) -> None:
    values, right, _ = times(pd.Series([text], dtype="str"), kind, dates="day first")
    assert right.tolist() == [True]
    assert values.iloc[0] == pd.Timestamp(moment)


# By hand: names ------------------------------------------------------------------------------------


def test_headings_of_an_export_are_read_where_declared(small_study: Path) -> None:
    expected = read_study(small_study)
    replaced(small_study, "patients", ("patient_id,sex", "Pat.-Nr.,sex"), ("mass_kg", "Gewicht [kg]"))
    replaced(small_study, "hips", ("side,arm", "arm,side"), ("device", "Typ;Art"))
    # Two columns that have each other's name: each is what study.toml says.
    declare(
        small_study,
        '[columns.patients]\n"Pat.-Nr." = "patient_id"\n"Gewicht [kg]" = "mass_kg"\n'
        '[columns.hips]\nside = "arm"\narm = "side"\n"Typ;Art" = "device"\n',
    )
    assert_same_tables(read_study(small_study), expected)


def test_a_column_may_be_left_out_or_kept_under_a_name_of_its_own(small_study: Path) -> None:
    rows = "P01,female,1970,secret,007\nP02,male,1965,x,B\nP03,female,1980,,\n"
    put(small_study, "patients", "patient_id,sex,birth_year,Name,Ward\n" + rows)
    declare(small_study, '[columns.patients]\nName = ""\nWard = "x_ward"\n')
    patients = read_study(small_study).patients
    assert list(patients)[-1] == "x_ward"
    assert patients["x_ward"].fillna("").tolist() == ["007", "B", ""]
    assert "secret" not in patients.to_csv()


def test_a_problem_names_the_heading_as_the_export_has_it(small_study: Path) -> None:
    replaced(small_study, "patients", ("mass_kg", "Gewicht"), ("70.5", "7.05"))
    declare(small_study, '[columns.patients]\nGewicht = "mass_kg"\n')
    problems = check_study(small_study)
    assert problems[["line", "column", "found"]].to_numpy().tolist() == [[2, "Gewicht (mass_kg)", "7.05"]]


def test_other_spellings_of_choices_and_of_ids_that_the_study_defines(small_study: Path) -> None:
    expected = read_study(small_study)
    replaced(small_study, "hips", (",left,", ",li,"), (",right,", ",RE,"), ("short_stem", "Kurz Schaft"))
    replaced(small_study, "visits", ("before", "V0"), ("month_12", "12 M"))
    replaced(small_study, "answers", ("before", "V0"), ("month_12", "12 M"), ("oxford_hip_score", "OHS"))
    replaced(small_study, "images", ("month_12", "12 M"))
    declare(
        small_study,
        '[spellings.side]\nli = "left"\nRE = "right"\n[spellings.arm]\n"Kurz Schaft" = "short_stem"\n'
        '[spellings.visit_id]\nV0 = "before"\n"12 M" = "month_12"\n'
        '[spellings.instrument]\nOHS = "oxford_hip_score"\n',
    )
    assert_same_tables(read_study(small_study), expected)


def test_everything_at_once(small_study: Path) -> None:
    """An export under Windows: its letters, semicolons, decimal commas, days first, a mark in front."""
    expected = read_study(small_study)
    days_turned(small_study, "%d.%m.%Y")
    for path in small_study.glob("tables/*.csv"):
        text = path.read_text().replace(",", ";").replace("0.5", "0,5").replace("1.5", "1,5")
        text = text.replace("512.25", "512,25").replace("Cup A", "Pfännle").replace("\n", "\r\n")
        path.write_bytes(text.encode("windows-1252"))
    hips = small_study / "tables/hips.csv"
    hips.write_bytes(hips.read_bytes().replace(b"hip_id", b"H\xfcfte"))
    # This file was saved as UTF-8 and says so itself.
    visits = small_study / "tables/visits.csv"
    visits.write_bytes(b"\xef\xbb\xbf" + visits.read_bytes())
    files = 'encoding = "windows-1252"\nseparator = ";"\ndecimal = ","\n'
    declare(small_study, DAY_FIRST + files + '[columns.hips]\n"Hüfte" = "hip_id"\n')
    study = read_study(small_study)
    assert study.hips["device"].tolist() == ["Pfännle", "Stem B", "Stem B", "Pfännle"]
    study.hips["device"] = expected.hips["device"]
    assert_same_tables(study, expected)


# By hand: wide forms -------------------------------------------------------------------------------


def test_a_wide_form_is_the_long_form_of_the_same_answers(small_study: Path) -> None:
    expected = read_study(small_study)
    (small_study / "tables/answers.csv").unlink()
    put(
        small_study,
        "ohs",
        "patient_id,visit_id,OHS_1,OHS_2\nP01,before,1,0\nP01,month_12,4,\nP02,before,,\n",  # not given back
    )
    declare(small_study, OHS)
    assert_same_tables(read_study(small_study), expected)


def test_visits_may_stand_side_by_side_too(small_study: Path) -> None:
    expected = read_study(small_study)
    (small_study / "tables/answers.csv").unlink()
    # Ids with the mark that stands between them, and a spelling of the study's.
    put(
        small_study,
        "ohs",
        "Pat,t0_q01,t0_q02,month_12_q01,month_12_q02,week_6_q01,week_6_q02\nP01,1,0,4,,,\nP02,,,,,,\n",
    )
    declare(
        small_study,
        OHS.replace("OHS_{item}", "{visit_id}_q{item}")
        + '[columns.ohs]\nPat = "patient_id"\n[spellings.visit_id]\nt0 = "before"\n',
    )
    assert_same_tables(read_study(small_study), expected)


def test_several_columns_of_values_and_two_forms_of_one_file(small_study: Path) -> None:
    long = (
        "patient_id,visit_id,analyte,matrix,value,unit,below_limit,limit\n"
        "P01,month_12,cobalt,serum,1.5,ug/L,no,0.1\nP01,month_12,chromium,serum,,ug/L,yes,0.2\n"
    )
    put(small_study, "blood", long)
    expected = read_study(small_study)
    (small_study / "tables/answers.csv").unlink()
    (small_study / "tables/blood.csv").unlink()
    put(
        small_study,
        "case_report",
        "patient_id,visit_id,OHS_1,OHS_2,cobalt,cobalt_below,cobalt_limit,Cr,Cr_below,Cr_limit\n"
        "P01,before,1,0,,,,,,\nP01,month_12,4,,1.5,no,0.1,,yes,0.2\n",
    )
    declare(
        small_study,
        OHS.replace('"ohs"', '"case_report"')
        + '[[wide]]\ntable = "blood"\nsource = "case_report"\n'
        + 'values = { value = "{analyte}", below_limit = "{analyte}_below", limit = "{analyte}_limit" }\n'
        + 'fixed = { matrix = "serum", unit = "ug/L" }\n[spellings.analyte]\nCr = "chromium"\n',
    )
    assert_same_tables(read_study(small_study), expected)


def test_a_problem_in_a_wide_form_stands_at_its_line_and_heading(small_study: Path) -> None:
    (small_study / "tables/answers.csv").unlink()
    put(small_study, "ohs", "patient_id,visit_id,OHS_1,OHS_2\nP01,before,1,0\nP01,month_12,4,7\n")
    declare(small_study, OHS)
    row = check_study(small_study).iloc[0]
    assert row[["file", "line", "column", "found"]].tolist() == ["tables/ohs.csv", 3, "OHS_2 (answer)", "7"]


# By law: any answers, wide or long ------------------------------------------------------------------


@settings(max_examples=12, deadline=None, derandomize=True)
@given(
    forms=st.lists(
        st.lists(st.sampled_from(["", "0", "1", "4"]), min_size=12, max_size=12), min_size=1, max_size=7
    ),
    order=st.permutations(range(1, 13)),
)
def test_a_wide_form_and_its_long_form(
    tmp_path_factory: pytest.TempPathFactory, forms: list[list[str]], order: list[int]
) -> None:
    who = [line.split(",")[:2] for line in small_study_text("tables/visits.csv").split()[1:]]
    wide, long = [], []
    for (patient, visit), answers in zip(who, forms, strict=False):
        wide.append(",".join([patient, visit, *(answers[item - 1] for item in order)]))
        if any(answers):
            long += [f"{patient},{visit},oxford_hip_score,{item},{answers[item - 1]}" for item in order]
    tables = []
    for form in ("wide", "long"):
        folder = tmp_path_factory.mktemp(form)
        (folder / "tables").mkdir()
        for name in ("study.toml", "tables/patients.csv", "tables/hips.csv", "tables/visits.csv"):
            (folder / name).write_text(small_study_text(name))
        if form == "wide":
            put(
                folder,
                "ohs",
                "\n".join(["patient_id,visit_id," + ",".join(f"OHS_{n}" for n in order), *wide]),
            )
            declare(folder, OHS)
        else:
            put(folder, "answers", "\n".join(["patient_id,visit_id,instrument,item,answer", *long]))
        tables.append(read_study(folder).answers)
    pd.testing.assert_frame_equal(*tables)


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("found", "dates", "remedy"),
    [
        ("03/04/2026", "year first", "cannot be seen: write the date as 2031-06-30, or declare dates"),
        ("25/04/2026", "year first", 'Write the date as 2031-06-30, or declare dates = "day first"'),
        ("04/25/2026", "year first", "The middle number is no month"),
        ("04/25/2026", "day first", "The middle number is no month"),
        ("3.4.26", "year first", "Write the year with four digits"),
        ("3.4.26", "day first", "Write the year with four digits"),
        ("46115", "year first", "spreadsheet's count of days"),
        ("46115.5", "day first", "spreadsheet's count of days"),
        ("2026/04/03", "year first", "Write the date so"),
        ("3. April 2026", "day first", "Write the date so"),
    ],
)
@pytest.mark.parametrize("kind", ["date", "datetime"])
def test_what_is_no_day(found: str, dates: str, remedy: str, kind: str) -> None:
    _, right, expected = times(pd.Series([found], dtype="str"), kind, dates=dates)
    assert right.tolist() == [False]
    assert "between 1900 and 2199" in expected
    assert remedy in time_remedy(found, dates=dates)


@pytest.mark.parametrize(
    "found", ["31.02.2030", "00.01.2030", "1.1.1899", "1.1.2200", "1.1/2030", "٣.4.2026"]
)
def test_a_day_first_that_does_not_exist(found: str) -> None:
    _, right, _ = times(pd.Series([found], dtype="str"), "date", dates="day first")
    assert right.tolist() == [False]


MAPPINGS = [
    # tables changed, sections added, what is said
    (
        [("patients", "mass_kg", "Weight")],
        "",
        r"line 1, Weight: found unknown column Weight.*\[columns\.patients\]",
    ),
    (
        [],
        '[columns.patients]\nWeigt = "mass_kg"',
        r"line 1, Weigt: found no such column.*\[columns\.patients\] names",
    ),
    (
        [("patients", "mass_kg", "Weight")],
        '[columns.patients]\nWeigt = "mass_kg"',
        r"Weigt: found no such column.*did you mean 'Weight'",
    ),
    (
        [("patients", "mass_kg", "W")],
        '[columns.patients]\nW = "mass"',
        r"\[columns\.patients\] W: found 'W = mass'|found W = mass.*did you mean 'mass_kg'",
    ),
    (
        [("patients", "mass_kg", "height")],
        '[columns.patients]\nheight = "height_cm"',
        r"line 1, height_cm: found height and height_cm\. Expected one column",
    ),
    ([], '[columns.patients]\na = "mass_kg"\nb = "mass_kg"', r"found 'mass_kg'\. Expected each column once"),
    (
        [],
        '[columns.patient]\na = "mass_kg"',
        r"\[columns\.patient\]: found 'patient'.*did you mean 'patients'",
    ),
    ([], '[columns.patients]\nsex = ""', r"line 1, sex: found no such column\. Expected a column 'sex'"),
    ([], "[columns.patients]\nsex = 1", r"\[columns\.patients\]: found .*lines of text = text"),
    ([], '[columns]\nsex = "a"', r"\[columns\.sex\]: found 'a'\..*text = text"),
    (
        [],
        '[spellings.visit_id]\nV0 = "befor"',
        r"\[spellings\.visit_id\] V0: found V0 = befor.*'before', 'week_6'",
    ),
    ([], '[spellings.visit_id]\nbefore = "week_6"', r"found before = week_6\. Expected another spelling"),
    (
        [("hips", "H01,P01,left", "H01,P01,Li")],
        '[spellings.side]\nli = "left"',
        r"side: found 'Li'.*'left' or 'right'",
    ),
    ([], '[sheets]\nhip = "hips"', r"\[sheets\] hip: found 'hip'.*did you mean 'hips'"),
    ([], '[files]\nother_sheets = ["Notes"]', r"\[files\] other_sheets: found no workbook"),
    ([], '[files]\nworkbook = "a.xlsm"', r"\[files\] workbook: found 'a\.xlsm'.*\.xlsx"),
    (
        [],
        '[files]\ndates = "month first"',
        r"\[files\] dates: found month first.*'year first' or 'day first'",
    ),
]


@pytest.mark.parametrize(("tables", "sections", "match"), MAPPINGS)
def test_a_wrong_mapping(small_study: Path, tables: list, sections: str, match: str) -> None:
    for table, old, new in tables:
        replaced(small_study, table, (old, new))
    declare(small_study, sections)
    with pytest.raises(StudyError, match=match):
        read_study(small_study)


WIDE = [
    # heading line of the form, values, what is said
    (
        "OHS_1,OHS_2",
        'answer = "ohs_{item}"',
        r"ohs\.csv line 1, answer: found no such column.*headings such as ohs_\{item\}",
    ),
    (
        "OHS_1,OHS_2,Note",
        'answer = "OHS_{item}"',
        r"line 1, Note: found unknown column Note.*\[columns\.ohs\]",
    ),
    ("OHS_1,OHS_13", 'answer = "OHS_{item}"', r"line 2, item: found .?13.?\. Expected an item from 1 to 12"),
    (
        "OHS_1,OHS_01",
        'answer = "OHS_{item}"',
        r"line 2, .*: found P01, before, oxford_hip_score, 1\. Expected each .* once",
    ),
    (
        "OHS_1,week_6_2_3",
        'answer = "{visit_id}_{instrument}_{item}"',
        r"week_6_2_3: found a heading that fits in two ways",
    ),
    (
        "OHS_1,OHS_2",
        'answer = "OHS_1"',
        r"\[\[wide\]\] values: found 'OHS_1'\. Expected a heading with \{item\}",
    ),
    ("OHS_1,OHS_2", 'answer = "OHS_{itm}"', r"\[\[wide\]\] values: found 'OHS_\{itm\}'"),
    ("OHS_1,OHS_2", 'anser = "OHS_{item}"', r"\[\[wide\]\] values: found 'anser'.*did you mean 'answer'"),
    (
        "OHS_1,OHS_2",
        'answer = "OHS_{item}" }\nfixed = { instrument = "oxford_hip_score" }\n'
        '[[wide]]\ntable = "answers"\nsource = "ohs"\nvalues = { answer = "OHS_{item}"',
        r"ohs\.csv line 1, OHS_1: found a heading that fits two patterns\. Expected a heading for each",
    ),
    ("OHS_1,OHS_2", "", r"\[\[wide\]\] values: found no pair"),
]


@pytest.mark.parametrize(("headings", "values", "match"), WIDE)
def test_a_wrong_wide_form(small_study: Path, headings: str, values: str, match: str) -> None:
    (small_study / "tables/answers.csv").unlink()
    row = ",".join("1" for _ in headings.split(","))
    put(small_study, "ohs", f"patient_id,visit_id,{headings}\nP01,before,{row}\n")
    fixed = "" if "instrument" in values else 'fixed = { instrument = "oxford_hip_score" }\n'
    if "visit_id" in values:
        put(small_study, "ohs", f"patient_id,{headings}\nP01,{row}\n")
    declare(small_study, f'[[wide]]\ntable = "answers"\nsource = "ohs"\nvalues = {{ {values} }}\n{fixed}')
    with pytest.raises(StudyError, match=match):
        read_study(small_study)


def test_a_form_that_would_become_too_many_rows(small_study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cohortlib.study.sources.wide_headings.MOST_ROWS", 3)
    (small_study / "tables/answers.csv").unlink()
    put(small_study, "ohs", "patient_id,visit_id,OHS_1,OHS_2\nP01,before,1,0\nP01,month_12,4,3\n")
    declare(small_study, OHS)
    with pytest.raises(
        StudyError, match=r"ohs\.csv: found 2 lines with 2 columns of values.*at most 3 values"
    ):
        read_study(small_study)


def test_what_is_wrong_with_a_file_of_two_forms_is_told_once(small_study: Path) -> None:
    (small_study / "tables/answers.csv").unlink()
    put(small_study, "ohs", "patient_id,visit_id,OHS_1,OHS_2,cobalt\nP01,before,1,0,1.5\n\n")
    blood = OHS.split("values")[0].replace("answers", "blood") + 'values = { value = "{analyte}" }\n'
    fixed = 'fixed = { matrix = "serum", unit = "ug/L", below_limit = "no" }\n'
    declare(small_study, OHS + blood + fixed + '[columns.ohs]\nPatient = "patient_id"\n')
    with open(small_study / "tables/ohs.csv", "a", encoding="utf-8") as file:
        file.write("P02,before,1\n")
    problems = check_study(small_study)
    assert problems["found"].tolist() == ["an empty line", "3 fields", "no such column"]


def test_a_section_that_is_spelt_wrong_is_named() -> None:
    _, problems = study_definition(b'title = "A"\ncomparator = "x"\n[[wide]]\ntable = "answer"\n')
    said = [row["column"] + ": " + str(row["found"]) for row in problems]
    assert "[[wide]] table: answer" in said
    assert "[[wide]] source: no such key" in said
