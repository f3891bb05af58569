"""Days from surgery, visit windows, and dates that cannot be.

Day 0 is the patient's first study operation: in a patient with two study hips the visits are those
of the patient, and a visit before the second operation is after the first.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from cohortlib.study.grouping import file_name, grouped_problems


def visits_with_windows(visits: pd.DataFrame, hips: pd.DataFrame, schedule: pd.DataFrame) -> pd.DataFrame:
    """The visits with the day they took place and whether that lies in the window.

    Parameters
    ----------
    visits, hips
        Typed tables.
    schedule
        visit_id, earliest_days, latest_days (both ends belong to the window).

    Returns
    -------
    DataFrame
        Same rows and index; two columns more: days (Int64, from the patient's first surgery_date) and
        in_window (boolean). Both are missing for a patient without an operation.
    """
    surgery = _first_surgery(hips)
    days = (visits["date"] - visits["patient_id"].map(surgery)).dt.days.astype("Int64")
    windows = schedule.set_index("visit_id")
    earliest = visits["visit_id"].map(windows["earliest_days"]).astype("Int64")
    latest = visits["visit_id"].map(windows["latest_days"]).astype("Int64")
    return visits.assign(days=days, in_window=((days >= earliest) & (days <= latest)).astype("boolean"))


def _first_surgery(hips: pd.DataFrame) -> pd.Series:
    known = hips.dropna(subset=["patient_id", "surgery_date"])
    return known.groupby("patient_id")["surgery_date"].min()


def _day(dates: pd.Series) -> pd.Series:
    return dates.dt.strftime("%Y-%m-%d")


def cut_problems(tables: Mapping[str, pd.DataFrame], data_cut: pd.Timestamp | None) -> list[dict[str, Any]]:
    """Visits and operations after the day whose data are the last to count."""
    problems: list[dict[str, Any]] = []
    for table, column in (("visits", "date"), ("hips", "surgery_date")):
        dates = tables[table][column]
        if data_cut is not None:
            problems += grouped_problems(
                _day(dates[dates > data_cut]),
                file=file_name(table),
                column=column,
                expected=f"a date up to data_cut in study.toml, {data_cut:%Y-%m-%d}",
                remedy="Export the tables as of the data cut, correct the date, or move data_cut",
            )
    return problems


def surgery_problems(tables: Mapping[str, pd.DataFrame], schedule: pd.DataFrame) -> list[dict[str, Any]]:
    """Operations before birth, and visits on the wrong side of the operation.

    A visit outside its window is no problem: it is kept, and `visits_with_windows` says so.
    """
    visits, hips = tables["visits"], tables["hips"]
    return _born_too_late(hips, tables["patients"]) + _wrong_side_of_surgery(visits, hips, schedule)


def _born_too_late(hips: pd.DataFrame, patients: pd.DataFrame) -> list[dict[str, Any]]:
    born = patients.dropna(subset=["patient_id", "birth_year"]).drop_duplicates("patient_id")
    year = hips["patient_id"].map(born.set_index("patient_id")["birth_year"])
    wrong = hips[(hips["surgery_date"].dt.year <= year).fillna(False).astype(bool)]
    return grouped_problems(
        _day(wrong["surgery_date"]),
        file=file_name("hips"),
        column="surgery_date",
        expected="a date after the birth year of " + wrong["patient_id"] + " in " + file_name("patients"),
        remedy="Correct the date or birth_year",
    )


def _wrong_side_of_surgery(
    visits: pd.DataFrame, hips: pd.DataFrame, schedule: pd.DataFrame
) -> list[dict[str, Any]]:
    surgery = visits["patient_id"].map(_first_surgery(hips))
    # A window that lies across the operation holds on neither side.
    before = (schedule["latest_days"] <= 0) & (schedule["earliest_days"] < 0)
    after = schedule["earliest_days"] >= 0
    problems: list[dict[str, Any]] = []
    for chosen, wrong, words in (
        (before, visits["date"] > surgery, "up to the operation"),
        (after, visits["date"] < surgery, "from the operation on"),
    ):
        rows = wrong & visits["visit_id"].isin(schedule.loc[chosen, "visit_id"])
        table = visits[rows]
        problems += grouped_problems(
            _day(table["date"]),
            file=file_name("visits"),
            column="date",
            expected=f"a date {words} ("
            + table["patient_id"]
            + ": "
            + _day(surgery[rows])
            + ") at visit "
            + table["visit_id"],
            remedy=f"Correct the date, the visit_id, or surgery_date in {file_name('hips')}",
        )
    return problems


def order_problems(visits: pd.DataFrame, schedule: pd.DataFrame) -> list[dict[str, Any]]:
    """Visits of one patient whose dates do not follow the order of the schedule."""
    due = visits["visit_id"].map(schedule.set_index("visit_id")["due_days"])
    rows = visits.assign(due=due).dropna(subset=["patient_id", "date", "due"])
    rows = rows.sort_values(["patient_id", "due"], kind="stable")
    earlier = rows.groupby("patient_id")[["date", "due", "visit_id"]].shift()
    wrong = (rows["due"] > earlier["due"]) & (rows["date"] <= earlier["date"])
    rows, earlier = rows[wrong].sort_index(), earlier[wrong].sort_index()
    return grouped_problems(
        _day(rows["date"]),
        file=file_name("visits"),
        column="date",
        expected="a date after visit "
        + earlier["visit_id"]
        + " of "
        + rows["patient_id"]
        + ", "
        + _day(earlier["date"]),
        remedy="Correct the dates or the visit_ids",
    )
