"""Days from surgery and visit windows.

Day 0 is the patient's first study operation: in a patient with two study hips the visits are those
of the patient, and a visit before the second operation is after the first.
"""

from __future__ import annotations

import pandas as pd


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
    surgery = first_surgery(hips)
    days = (visits["date"] - looked_up(visits["patient_id"], surgery)).dt.days.astype("Int64")
    windows = schedule.set_index("visit_id")
    earliest = looked_up(visits["visit_id"], windows["earliest_days"]).astype("Int64")
    latest = looked_up(visits["visit_id"], windows["latest_days"]).astype("Int64")
    return visits.assign(days=days, in_window=((days >= earliest) & (days <= latest)).astype("boolean"))


def first_surgery(hips: pd.DataFrame) -> pd.Series:
    """The date of each patient's first study operation, by patient_id."""
    known = hips.dropna(subset=["patient_id", "surgery_date"])
    return known.groupby(known["patient_id"].astype("str"))["surgery_date"].min()


def patient_of_hip(ids: pd.Series, hips: pd.DataFrame) -> pd.Series:
    """For each hip_id the patient, missing where the hip is none of the table."""
    known = hips.dropna(subset=["hip_id", "patient_id"]).drop_duplicates("hip_id")
    return looked_up(ids, known.set_index(known["hip_id"].astype("str"))["patient_id"].astype("str"))


def looked_up(ids: pd.Series, values: pd.Series) -> pd.Series:
    """For each id its value, missing where there is none.

    Parameters
    ----------
    ids
        Text or categories; the index is kept.
    values
        Index = ids, each once. Unlike with `map`, the type stays that of the values, of none too.
    """
    found = values.reindex(ids.astype("str"))
    found.index = ids.index
    return found
