"""A study folder becomes typed tables, whatever its lawful spelling."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.study import check_study, read_study
from cohortlib.study.columns import DTYPES, empty_table, typed_table
from cohortlib.study.sources.csv_file import text_table
from cohortlib.tables import DICTIONARY, Column, Study

DEMO = Path(__file__).parents[2] / "synthetic_cohort"


@pytest.fixture(scope="module")
def demo() -> Study:
    return read_study(DEMO)


def change(folder: Path, file: str, *pairs: tuple[str, str], encoding: str = "utf-8") -> None:
    path = folder / file
    text = path.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    path.write_bytes(text.encode(encoding))


def assert_same_tables(one: Study, other: Study) -> None:
    assert set(one.tables) == set(other.tables)
    for name, table in one.tables.items():
        pd.testing.assert_frame_equal(table, other.tables[name])


# By hand -------------------------------------------------------------------------------------------


def test_the_definition_and_the_types(small_study: Path) -> None:
    study = read_study(small_study)
    assert study.title == "Small made-up study"
    assert study.comparator == "short_stem"
    assert study.data_cut == pd.Timestamp("2032-12-31")
    assert study.synthetic is True
    assert study.endpoint == {"instrument": "oxford_hip_score", "visit_id": "month_12"}
    assert study.threshold("cup zone", quantity="inclination")["upper"] == 50
    for name, table in study.tables.items():
        columns = {column: DTYPES[row.kind] for column, row in DICTIONARY[name].items()}
        more = {"days": "Int64", "in_window": "boolean"} if name == "visits" else {}
        assert {column: str(dtype) for column, dtype in table.dtypes.items()} == columns | more
        assert list(table.index) == list(range(len(table)))


def test_values_are_what_the_cells_say(small_study: Path) -> None:
    study = read_study(small_study)
    assert study.patients["mass_kg"].tolist()[0] == 70.5
    assert study.patients["height_cm"].isna().tolist() == [False, False, True]
    assert study.hips["surgery_date"].iloc[2] == pd.Timestamp("2030-05-12")
    assert study.hips["surgeon_id"].isna().tolist() == [False, False, False, True]
    assert study.answers["answer"].isna().tolist() == [False, False, False, True]
    assert study.landmarks["marked_at"].iloc[1] == pd.Timestamp("2031-02-01T09:00:05Z")


def test_days_are_counted_from_the_first_surgery_and_no_visit_is_lost(small_study: Path) -> None:
    visits = read_study(small_study).visits
    # 10 January + 42 days = 21 February; P02's second hip (12 May) moves nothing.
    assert visits["days"].tolist() == [-8, 42, 365, -12, 42, 0, 535]
    assert visits["in_window"].tolist() == [True, True, True, True, True, True, False]


def test_a_patient_without_an_operation_has_visits_without_days(small_study: Path) -> None:
    with open(small_study / "tables/patients.csv", "a", encoding="utf-8") as file:
        file.write("P04,female,1990,,\n")
    with open(small_study / "tables/visits.csv", "a", encoding="utf-8") as file:
        file.write("P04,before,2030-04-01\n")
    last = read_study(small_study).visits.iloc[-1]
    assert last["days"] is pd.NA
    assert last["in_window"] is pd.NA


def test_both_ends_belong_to_the_window(small_study: Path) -> None:
    for day, inside in (
        ("2030-02-06", False),
        ("2030-02-07", True),
        ("2030-03-21", True),
        ("2030-03-22", False),
    ):
        visits = small_study / "tables/visits.csv"
        text = visits.read_text()
        visits.write_text(text.replace("2030-02-21", day))
        assert read_study(small_study).visits["in_window"].iloc[1] == inside  # windows: days 28 to 70
        visits.write_text(text)


def test_tables_that_are_not_there_yet_are_empty_and_typed(small_study: Path) -> None:
    for name in ("images", "landmarks", "answers"):
        (small_study / f"tables/{name}.csv").unlink()
    study = read_study(small_study)
    for name in ("images", "landmarks", "answers"):
        pd.testing.assert_frame_equal(
            study.tables[name], empty_table(DICTIONARY[name]).reset_index(drop=True)
        )


def test_ids_keep_their_zeros_and_words_like_na_stay_words(small_study: Path) -> None:
    (small_study / "tables/images.csv").unlink()
    (small_study / "tables/landmarks.csv").unlink()
    for table in ("patients", "hips", "visits"):
        change(small_study, f"tables/{table}.csv", ("P01", "0012"), ("P02", "NA"), ("P03", "1e5"))
    change(small_study, "tables/answers.csv", ("P01", "0012"))
    study = read_study(small_study)
    assert study.patients["patient_id"].tolist() == ["0012", "NA", "1e5"]


def test_columns_of_the_study_s_own_are_kept_as_text(small_study: Path) -> None:
    change(
        small_study,
        "tables/patients.csv",
        ("patient_id,", "x_ward,patient_id,"),
        ("P01,", "007,P01,"),
        ("P02,", "-0.5,P02,"),
        ("P03,", ",P03,"),
    )
    patients = read_study(small_study).patients
    assert list(patients)[-1] == "x_ward"
    assert patients["x_ward"].tolist()[:2] == ["007", "-0.5"]
    assert patients["x_ward"].isna().tolist() == [False, False, True]


def test_a_whole_number_may_be_written_with_a_zero_behind_the_mark(small_study: Path) -> None:
    change(small_study, "tables/answers.csv", (",1,4", ",1.0,4.0"))
    assert read_study(small_study).answers["answer"].tolist()[2] == 4


# By law: lawful spellings of the same study give the same tables ------------------------------------


def test_a_byte_order_mark_changes_nothing(small_study: Path) -> None:
    expected = read_study(small_study)
    for path in [small_study / "study.toml", *small_study.glob("tables/*.csv")]:
        path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert_same_tables(read_study(small_study), expected)


def test_line_ends_change_nothing(small_study: Path) -> None:
    expected = read_study(small_study)
    for path in [small_study / "study.toml", *small_study.glob("tables/*.csv")]:
        path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n") + b"\r\n")
    assert_same_tables(read_study(small_study), expected)


def test_semicolons_and_decimal_commas_are_read_where_declared(small_study: Path) -> None:
    expected = read_study(small_study)
    for path in small_study.glob("tables/*.csv"):
        path.write_text(path.read_text().replace(",", ";").replace("0.5", "0,5").replace("1.5", "1,5"))
    change(small_study, "tables/landmarks.csv", ("512.25", "512,25"))
    change(small_study, "study.toml", ("[endpoint]", '[files]\nseparator = ";"\ndecimal = ","\n\n[endpoint]'))
    assert_same_tables(read_study(small_study), expected)


def test_windows_text_is_read_where_declared(small_study: Path) -> None:
    change(small_study, "tables/hips.csv", ("Cup A", "Schäfer–Cup"))
    expected = read_study(small_study)
    change(small_study, "tables/hips.csv", encoding="windows-1252")
    change(small_study, "study.toml", ("[endpoint]", '[files]\nencoding = "windows-1252"\n\n[endpoint]'))
    assert_same_tables(read_study(small_study), expected)


def test_other_spellings_are_read_where_declared(small_study: Path) -> None:
    expected = read_study(small_study)
    change(small_study, "tables/hips.csv", (",left,", ",L,"))
    change(small_study, "study.toml", ("[endpoint]", '[spellings.side]\nL = "left"\n\n[endpoint]'))
    assert_same_tables(read_study(small_study), expected)


def test_the_order_of_columns_changes_nothing(small_study: Path) -> None:
    expected = read_study(small_study)
    for path in small_study.glob("tables/*.csv"):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        table[list(table)[::-1]].to_csv(path, index=False)
    assert_same_tables(read_study(small_study), expected)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.from_regex(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,10}", fullmatch=True),
            st.integers(-(10**9), 10**9),
            st.floats(-1e9, 1e9, allow_subnormal=False).map(lambda number: round(number, 6) + 0.0),
            st.dates(pd.Timestamp("1900-01-01").date(), pd.Timestamp("2199-12-31").date()),
        ),
        max_size=6,
    )
)
def test_written_values_come_back(rows: list[tuple]) -> None:
    kinds = {"i": "id", "n": "integer", "f": "number", "d": "date"}
    columns = {name: Column("t", name, kind, True, "") for name, kind in kinds.items()}  # type: ignore[arg-type]
    written = pd.DataFrame(rows, columns=list(kinds))
    text, problems = text_table(
        written.to_csv(index=False, float_format="%.6f").encode(), file="t", encoding="utf-8", separator=","
    )
    assert problems == []
    table, problems = typed_table(text, columns, file="t", folder=Path(), decimal=".", spellings={})
    assert problems == []
    assert table["i"].tolist() == written["i"].tolist()
    assert table["n"].tolist() == written["n"].tolist()
    assert table["f"].tolist() == pytest.approx(written["f"].tolist(), abs=1e-6)
    assert table["d"].dt.date.tolist() == written["d"].tolist()


# By recovery: the demo, read by another reader -----------------------------------------------------


@pytest.mark.parametrize("name", ["patients", "hips", "visits", "images", "landmarks", "answers"])
def test_the_demo_is_read_whole(demo: Study, name: str) -> None:
    plain = pd.read_csv(DEMO / f"tables/{name}.csv")
    table = demo.tables[name]
    assert len(table) == len(plain)
    for column, cells in plain.items():
        assert table[column].notna().tolist() == cells.notna().tolist(), column
        if DICTIONARY[name][str(column)].kind in ("integer", "number"):
            assert table[column].sum() == pytest.approx(cells.sum())


# By law: nothing is written -------------------------------------------------------------------------


def test_a_whole_read_leaves_the_folder_alone(small_study: Path) -> None:
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in small_study.rglob("*.*")}
    read_study(small_study)
    check_study(small_study, images=True)
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in small_study.rglob("*.*")} == before
