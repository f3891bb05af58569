"""The data dictionary is consistent, and a Study gives what it holds."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from cohortlib.errors import StudyError
from cohortlib.study import read_study
from cohortlib.tables import (
    DICTIONARY,
    ESTIMATE_COLUMNS,
    KEYS,
    MEASUREMENT_COLUMNS,
    REQUIRED_TABLES,
    ROWS,
    SIGNALS,
    ZONE_SYSTEMS,
    Column,
)
from cohortlib.tables.spreadsheet import is_formula, spreadsheet_text

COLUMNS = [column for table in DICTIONARY.values() for column in table.values()]
TEXTS = [text for row in COLUMNS for text in (row.meaning, *map(str, row.allowed), row.unit)]
DEFINED = {"arms", "schedule", "instruments"}
#: End of a name and the UCUM code of its unit, the longer ends first.
UNITS = {
    "_mgy_cm": "mGy.cm",
    "_g_cm2": "g/cm2",
    "_cm2": "cm2",
    "_m_s": "m/s",
    "_mgy": "mGy",
    "_mm": "mm",
    "_cm": "cm",
    "_kg": "kg",
    "_px": "{pixel}",
    "_deg": "deg",
    "_kv": "kV",
    "_percent": "%",
}


# By law: the dictionary ----------------------------------------------------------------------------


@pytest.mark.parametrize("row", COLUMNS, ids=[f"{row.table}.{row.column}" for row in COLUMNS])
def test_a_row_of_the_dictionary_is_consistent(row: Column) -> None:
    assert row.meaning
    assert row.refers in {"", *DICTIONARY, *DEFINED}
    assert (row.kind == "choice") <= (len(row.allowed) > 0)
    if row.kind in ("integer", "number") and row.allowed:
        least, greatest = row.allowed
        assert least < greatest
    if row.kind in ("integer", "number"):
        assert row.unit, "a number has a unit, 1 if it is a count"
    for end, unit in UNITS.items():
        if row.column.endswith(end):
            assert row.unit == unit
            break


def test_keys_are_required_columns_of_their_table() -> None:
    for table, keys in KEYS.items():
        assert all(DICTIONARY[table][key].required for key in keys)
    for row in COLUMNS:
        assert not row.unique or KEYS[row.table] == (row.column,)
    for row in COLUMNS:
        if row.refers in DICTIONARY:
            assert KEYS[row.refers] == (row.column,), "an id has one name in all tables"


def test_each_name_has_one_meaning() -> None:
    assert len(set(MEASUREMENT_COLUMNS)) == len(MEASUREMENT_COLUMNS)
    assert {"unit", "method", "note"} <= set(MEASUREMENT_COLUMNS) & set(ESTIMATE_COLUMNS)
    kinds: dict[str, set[str]] = {}
    for row in COLUMNS:
        kinds.setdefault(row.column, set()).add(row.kind)
    assert all(len(found) == 1 for found in kinds.values())


def test_every_table_says_what_a_row_is_and_what_makes_it_one() -> None:
    assert list(ROWS) == list(DICTIONARY)
    assert all(ROWS.values())
    assert set(REQUIRED_TABLES) <= set(DICTIONARY)
    # The points of a rim are many, and equal but for their place.
    assert set(DICTIONARY) - set(KEYS) == {"landmarks"}


def test_nothing_in_the_dictionary_runs_in_a_spreadsheet() -> None:
    for row in TEXTS:
        assert spreadsheet_text(row) == row
        assert not is_formula(row)


def test_a_signal_has_its_units_and_its_sign() -> None:
    allowed = DICTIONARY["gait_curves"]["unit"].allowed
    assert set(DICTIONARY["gait_curves"]["signal"].allowed) == set(SIGNALS)
    for name, signal in SIGNALS.items():
        end = name.split()[-1]
        expected = {"force": "N", "angle": "deg", "moment": "N.m", "power": "W"}[end]
        assert signal.units[0] == expected
        assert set(signal.units) <= set(allowed)
        assert signal.positive
    assert {unit for signal in SIGNALS.values() for unit in signal.units} == set(allowed)


def test_zones_count_from_one() -> None:
    # Source: DeLee JG & Charnley J 1976 (three), Gruen TA et al. 1979 (seven), as the systems name them.
    assert ZONE_SYSTEMS["cup_3"].names == ("1", "2", "3")
    assert ZONE_SYSTEMS["stem_7"].names[-1] == "7"


# By hand: the study --------------------------------------------------------------------------------


def test_the_tables_have_names(small_study: Path) -> None:
    study = read_study(small_study)
    for name in DICTIONARY:
        assert getattr(study, name) is study.tables[name]
    with pytest.raises(dataclasses.FrozenInstanceError):
        study.title = "another"  # type: ignore[misc]


def test_a_threshold_comes_with_its_source(small_study: Path) -> None:
    row = read_study(small_study).threshold("cup zone", quantity="inclination")
    assert row[["lower", "upper", "unit", "source"]].tolist() == [30, 50, "deg", "made up for the tests"]


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "quantity"), [("cup zone", "anteversion"), ("zone", "inclination")])
def test_an_unknown_threshold_names_those_that_are_there(small_study: Path, name: str, quantity: str) -> None:
    study = read_study(small_study)
    match = (
        rf"study\.toml, \[\[thresholds\]\]: found {name}, {quantity}\. .*one of cup zone, inclination.*Add"
    )
    with pytest.raises(StudyError, match=match):
        study.threshold(name, quantity=quantity)
    empty = dataclasses.replace(study, thresholds=study.thresholds.iloc[:0])
    with pytest.raises(StudyError, match=r"one of none\. Add the threshold with its source"):
        empty.threshold(name, quantity=quantity)
