"""Events: whose, of which hip, in which order; and what happened after a death."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from cohortlib.study.checks.coded import joined, texts, words
from cohortlib.study.grouping import file_name, grouped_problems
from cohortlib.study.timeline import looked_up, patient_of_hip

#: Events of one hip.
OF_ONE_HIP = ("revision", "reoperation")
#: What cannot be of somebody who has died: the column of its day, and of the patient or the hip.
_AFTER_DEATH = (
    ("visits", "date", "patient_id"),
    ("hips", "surgery_date", "patient_id"),
    ("images", "taken_on", "patient_id"),
    ("densitometry", "scanned_on", "hip_id"),
    ("gait_trials", "walked_on", "patient_id"),
    ("events", "date", "patient_id"),
)


def event_problems(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """Events without the hip they are of, before its operation, or over before they began."""
    events, hips = tables["events"], tables["hips"]
    if events.empty:
        return []
    return _without_side(events, hips) + _before_surgery(events, hips) + _own_order(events)


def death_problems(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """What happened after a death, and second deaths."""
    events = tables["events"]
    deaths = events[events["event"] == "death"].dropna(subset=["patient_id", "date"])
    if deaths.empty:
        return []
    second = deaths[deaths["patient_id"].duplicated()]
    problems = grouped_problems(
        texts(second["patient_id"]),
        file=file_name("events"),
        column="event",
        expected="one death of a patient",
        remedy="Delete or correct the row",
    )
    died = deaths.groupby(texts(deaths["patient_id"]))["date"].min()
    for table, column, whose in _AFTER_DEATH:
        rows = tables[table].dropna(subset=[whose, column])
        if rows.empty:
            continue
        patient = texts(rows[whose]) if whose == "patient_id" else patient_of_hip(rows[whose], tables["hips"])
        day = looked_up(patient, died)
        late = rows[column] > day
        if table == "events":
            late &= rows["event"] != "death"
        problems += grouped_problems(
            texts(rows.loc[late, column]),
            file=file_name(table),
            column=column,
            expected=joined("no date after the death of ", patient[late], ", ", day[late]),
            remedy=f"Correct the date, the {whose}, or the death in {file_name('events')}",
        )
    return problems


def _without_side(events: pd.DataFrame, hips: pd.DataFrame) -> list[dict[str, Any]]:
    sides = hips.dropna(subset=["patient_id", "side"])
    count = sides.groupby(texts(sides["patient_id"])).size()
    patient = texts(events["patient_id"])
    unclear = events["event"].isin(OF_ONE_HIP) & events["side"].isna() & (looked_up(patient, count) > 1)
    what = joined(events["event"], " of ", patient)
    problems = grouped_problems(
        what[unclear],
        file=file_name("events"),
        column="side",
        expected="left or right, for a patient with two study hips",
        remedy="Write which hip it was",
    )
    known = set(zip(texts(sides["patient_id"]), texts(sides["side"]), strict=True))
    pairs = zip(patient, texts(events["side"]), strict=True)
    strange = pd.Series([pair not in known for pair in pairs], index=events.index, dtype=bool)
    strange &= events["event"].isin(OF_ONE_HIP) & events["side"].notna() & patient.isin(count.index)
    return problems + grouped_problems(
        texts(events["side"])[strange],
        file=file_name("events"),
        column="side",
        expected=joined(f"a side with a hip in {file_name('hips')} (", patient[strange], ")"),
        remedy="Correct the side or the patient_id",
    )


def _before_surgery(events: pd.DataFrame, hips: pd.DataFrame) -> list[dict[str, Any]]:
    rows = events[events["event"].isin((*OF_ONE_HIP, "device deficiency"))]
    rows = rows.dropna(subset=["patient_id", "date"])
    operated = hips.dropna(subset=["patient_id", "side", "surgery_date"])
    first = operated.groupby(texts(operated["patient_id"]))["surgery_date"].min()
    pair = words(operated, ["patient_id", "side"])
    of_side = operated.groupby(pair)["surgery_date"].min()
    patient = texts(rows["patient_id"])
    own = looked_up(joined(patient, ", ", rows["side"]), of_side)
    surgery = own.where(rows["side"].notna(), looked_up(patient, first))
    early = rows["date"] < surgery
    return grouped_problems(
        texts(rows.loc[early, "date"]),
        file=file_name("events"),
        column="date",
        expected=joined("a date from the operation on (", patient[early], ": ", surgery[early], ")"),
        remedy=f"Correct the date, the side, or surgery_date in {file_name('hips')}",
    )


def _own_order(events: pd.DataFrame) -> list[dict[str, Any]]:
    problems: list[dict[str, Any]] = []
    for column in ("reported_on", "resolved_on"):
        early = events[column] < events["date"]
        problems += grouped_problems(
            texts(events.loc[early, column]),
            file=file_name("events"),
            column=column,
            expected=joined("a date from that of the event on (", events["event_id"][early], ")"),
            remedy="Correct the dates",
        )
    return problems
