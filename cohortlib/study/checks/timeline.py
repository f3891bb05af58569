"""Dates that cannot be: after the data cut, before birth, on the wrong side of an operation, out of order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from cohortlib.study.checks.coded import joined, texts
from cohortlib.study.grouping import file_name, grouped_problems
from cohortlib.study.timeline import first_surgery, looked_up, patient_of_hip

#: Dates of what belongs to the data; the day a film was read does not.
_DATES = (
    ("visits", "date"),
    ("hips", "surgery_date"),
    ("patients", "consent_date"),
    ("plans", "planned_on"),
    ("images", "taken_on"),
    ("densitometry", "scanned_on"),
    ("gait_trials", "walked_on"),
    ("events", "date"),
)
#: Examinations with a day of their own, and the column that says whose they are.
_OWN_DAYS = (
    ("images", "taken_on", "patient_id"),
    ("densitometry", "scanned_on", "hip_id"),
    ("gait_trials", "walked_on", "patient_id"),
)
#: Oldest and youngest at an operation. Common practice, no source.
OLDEST_YEARS, YOUNGEST_YEARS = 110, 10


def cut_problems(tables: Mapping[str, pd.DataFrame], data_cut: pd.Timestamp | None) -> list[dict[str, Any]]:
    """What took place after the day whose data are the last to count."""
    problems: list[dict[str, Any]] = []
    for table, column in _DATES:
        dates = tables[table][column]
        if data_cut is not None and len(dates):
            problems += grouped_problems(
                texts(dates[dates > data_cut]),
                file=file_name(table),
                column=column,
                expected=f"a date up to data_cut in study.toml, {data_cut:%Y-%m-%d}",
                remedy="Export the tables as of the data cut, correct the date, or move data_cut",
            )
    return problems


def surgery_problems(tables: Mapping[str, pd.DataFrame], schedule: pd.DataFrame) -> list[dict[str, Any]]:
    """Operations before birth, consent or plan after it, and visits on the wrong side of the operation.

    A visit outside its window is no problem: it is kept, and `visits_with_windows` says so.
    """
    visits, hips = tables["visits"], tables["hips"]
    problems = _impossible_age(hips, tables["patients"])
    problems += _after_surgery(
        tables["patients"], "patients", "consent_date", "patient_id", first_surgery(hips)
    )
    of_hip = hips.dropna(subset=["hip_id"]).drop_duplicates("hip_id")
    surgery = of_hip.set_index(texts(of_hip["hip_id"]))["surgery_date"]
    problems += _after_surgery(tables["plans"], "plans", "planned_on", "hip_id", surgery)
    of_patient = looked_up(visits["patient_id"], first_surgery(hips))
    return problems + _wrong_side(visits, "visits", "date", of_patient, schedule)


def day_problems(tables: Mapping[str, pd.DataFrame], schedule: pd.DataFrame) -> list[dict[str, Any]]:
    """Examinations with a day of their own on the wrong side of the operation."""
    problems: list[dict[str, Any]] = []
    for table, column, whose in _OWN_DAYS:
        rows = tables[table][tables[table][column].notna()]
        if rows.empty:
            continue
        owner = texts(rows[whose]) if whose == "patient_id" else patient_of_hip(rows[whose], tables["hips"])
        surgery = looked_up(owner, first_surgery(tables["hips"]))
        problems += _wrong_side(rows.assign(patient_id=owner), table, column, surgery, schedule)
    return problems


def order_problems(visits: pd.DataFrame, schedule: pd.DataFrame) -> list[dict[str, Any]]:
    """Visits of one patient whose dates do not follow the order of the schedule."""
    visits = visits.assign(patient_id=texts(visits["patient_id"]), visit_id=texts(visits["visit_id"]))
    due = looked_up(visits["visit_id"], schedule.set_index("visit_id")["due_days"])
    rows = visits.assign(due=due).dropna(subset=["patient_id", "date", "due"])
    rows = rows.sort_values(["patient_id", "due"], kind="stable")
    earlier = rows.groupby("patient_id")[["date", "due", "visit_id"]].shift()
    wrong = (rows["due"] > earlier["due"]) & (rows["date"] <= earlier["date"])
    rows, earlier = rows[wrong].sort_index(), earlier[wrong].sort_index()
    return grouped_problems(
        texts(rows["date"]),
        file=file_name("visits"),
        column="date",
        expected=joined(
            "a date after visit ", earlier["visit_id"], " of ", rows["patient_id"], ", ", earlier["date"]
        ),
        remedy="Correct the dates or the visit_ids",
    )


def _impossible_age(hips: pd.DataFrame, patients: pd.DataFrame) -> list[dict[str, Any]]:
    born = patients.dropna(subset=["patient_id", "birth_year"]).drop_duplicates("patient_id")
    patient = texts(hips["patient_id"])
    year = looked_up(patient, born.set_index(texts(born["patient_id"]))["birth_year"])
    age = (hips["surgery_date"].dt.year - year).astype("Float64")
    problems: list[dict[str, Any]] = []
    for wrong, expected in (
        (age <= 0, "a date after the birth year of "),
        (
            (age > 0) & (age < YOUNGEST_YEARS),
            f"an age of at least {YOUNGEST_YEARS} years at the operation for ",
        ),
        (age > OLDEST_YEARS, f"an age of at most {OLDEST_YEARS} years at the operation for "),
    ):
        rows = wrong.fillna(False).astype(bool)
        problems += grouped_problems(
            texts(hips.loc[rows, "surgery_date"]),
            file=file_name("hips"),
            column="surgery_date",
            expected=joined(expected, patient[rows], " in ", file_name("patients")),
            remedy="Correct the date or birth_year",
        )
    return problems


def _after_surgery(
    rows: pd.DataFrame, table: str, column: str, whose: str, surgery: pd.Series
) -> list[dict[str, Any]]:
    rows = rows[rows[column].notna()]
    if rows.empty:
        return []
    owner = texts(rows[whose])
    operated = looked_up(owner, surgery)
    late = rows[column] > operated
    return grouped_problems(
        texts(rows.loc[late, column]),
        file=file_name(table),
        column=column,
        expected=joined("a date up to the operation (", owner[late], ": ", operated[late], ")"),
        remedy=f"Correct the date, or surgery_date in {file_name('hips')}",
    )


def _wrong_side(
    rows: pd.DataFrame, table: str, column: str, surgery: pd.Series, schedule: pd.DataFrame
) -> list[dict[str, Any]]:
    # A window that lies across the operation holds on neither side.
    before = (schedule["latest_days"] <= 0) & (schedule["earliest_days"] < 0)
    after = schedule["earliest_days"] >= 0
    problems: list[dict[str, Any]] = []
    for chosen, wrong, words in (
        (before, rows[column] > surgery, "up to the operation"),
        (after, rows[column] < surgery, "from the operation on"),
    ):
        where = wrong & rows["visit_id"].isin(schedule.loc[chosen, "visit_id"])
        found = rows[where]
        problems += grouped_problems(
            texts(found[column]),
            file=file_name(table),
            column=column,
            expected=joined(
                f"a date {words} (",
                found["patient_id"],
                ": ",
                surgery[where],
                ") at visit ",
                found["visit_id"],
            ),
            remedy=f"Correct the date, the visit_id, or surgery_date in {file_name('hips')}",
        )
    return problems
