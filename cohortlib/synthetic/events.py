"""Invented events: who left and why, operations again, adverse events, a device deficiency.

They fill the gaps that the visits leave and change none: everything is drawn after the visits, from streams
of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from cohortlib.synthetic.cohort import DATA_CUT, VISIT_DAY, numbered_ids
from cohortlib.synthetic.happenings import (
    HAPPENINGS,
    JUDGED,
    LATEST,
    LEFT_BECAUSE,
    LOST_BECAUSE,
    REVISED,
    REVISED_BECAUSE,
    Judgement,
)
from cohortlib.synthetic.streams import random_stream

#: Patients whom nobody reaches any more, among those who have not come to the last visit they owe.
N_LOST = 2
#: A visit is owed from so many days after its usual day; by then its window in study.toml is over.
OWED_AFTER_DAYS = 120


def event_table(
    patients: pd.DataFrame, hips: pd.DataFrame, visits: pd.DataFrame, *, seed: int
) -> pd.DataFrame:
    """One row an event, by date.

    Parameters
    ----------
    patients, hips, visits
        From `cohort` and `hips`.

    Returns
    -------
    DataFrame
        The columns of `events` in the data dictionary. Patients leave on the last day on which they may be
        seen. One hip is revised: after its last film, and before a visit that lies ahead. Everything else
        happens to patients who stay, once to each.
    """
    left = [*_leavers(patients), *_lost(patients, visits, seed)]
    staying = hips[~hips["patient_id"].isin(row["patient_id"] for row in left)]
    revision = _revision(staying, visits, seed)
    others = staying[staying["patient_id"] != revision["patient_id"]]
    rows = [*left, revision, *_happenings(others, seed)]
    events = pd.DataFrame(rows).sort_values(["date", "patient_id"], ignore_index=True)
    events.insert(0, "event_id", numbered_ids("E", len(events)))
    # The data cut does not know yet what is over later.
    events["resolved_on"] = events["resolved_on"].where(events["resolved_on"] <= pd.Timestamp(DATA_CUT))
    return events


def _row(
    patient_id: str,
    event: str,
    date: pd.Timestamp,
    description: str,
    judged: Judgement | None,
    *,
    side: str | None = None,
    told_days: int | None = None,
    lasts_days: int | None = None,
) -> dict[str, Any]:
    """A row of `events`; told and over so many days after its date, or never."""
    told, over = (
        pd.NaT if days is None else date + pd.Timedelta(days=days) for days in (told_days, lasts_days)
    )
    return {
        "patient_id": patient_id,
        "side": side,
        "event": event,
        "date": date,
        "description": description,
        **dict(zip(JUDGED, judged or [None] * len(JUDGED), strict=True)),
        "reported_on": told,
        "resolved_on": over,
    }


def _leavers(patients: pd.DataFrame) -> Iterator[dict[str, Any]]:
    for _, patient in patients.dropna(subset="last_day").iterrows():
        event = patient["left_because"]
        date = patient["surgery_date"] + pd.Timedelta(days=int(patient["last_day"]))
        told_days = 0 if event == "withdrawal" else 9
        yield _row(patient["patient_id"], event, date, *LEFT_BECAUSE[event], told_days=told_days)


def _lost(patients: pd.DataFrame, visits: pd.DataFrame, seed: int) -> Iterator[dict[str, Any]]:
    """Some of those who did not come to the last visit they owe: last reached weeks after the one before."""
    stream = random_stream(seed, "lost")
    order = list(VISIT_DAY)
    last = visits.sort_values("day").groupby("patient_id").tail(1).set_index("patient_id")
    observed_days = (pd.Timestamp(DATA_CUT) - patients["surgery_date"]).dt.days
    owed = sum((observed_days >= mean + OWED_AFTER_DAYS).astype(int) for mean, _ in VISIT_DAY.values()) - 1
    came = patients["patient_id"].map(last["visit_id"]).map(order.index)
    missing = patients.loc[(came < owed) & patients["last_day"].isna(), "patient_id"]
    for patient_id in stream.choice(missing, min(N_LOST, len(missing)), replace=False):
        date = last.loc[patient_id, "date"] + pd.Timedelta(days=int(stream.integers(20, 60)))
        yield _row(str(patient_id), "lost", date, LOST_BECAUSE, None)


def _revision(hips: pd.DataFrame, visits: pd.DataFrame, seed: int) -> dict[str, Any]:
    """Between the visit at 12 months, with the last film, and one at 24 that lies ahead at the data cut."""
    stream = random_stream(seed, "revision")
    seen_on = visits[visits["visit_id"] == "month_12"].set_index("patient_id")["day"]
    first_day = hips["patient_id"].map(seen_on) + 30
    last_day = (pd.Timestamp(DATA_CUT) - hips["surgery_date"]).dt.days - 14
    ahead = last_day < VISIT_DAY["month_24"][0] - OWED_AFTER_DAYS
    chosen = stream.choice(hips.index[ahead & (first_day < last_day)])
    hip, day = hips.loc[chosen], int(stream.integers(first_day[chosen], last_day[chosen]))
    date = hip["surgery_date"] + pd.Timedelta(days=day)
    because = REVISED_BECAUSE[hip["arm"]]
    return _row(
        hip["patient_id"],
        "revision",
        date,
        because,
        REVISED,
        side=hip["side"],
        told_days=2,
        lasts_days=0,
    )


def _happenings(hips: pd.DataFrame, seed: int) -> Iterator[dict[str, Any]]:
    """Each happening once, in another patient; the latest one days before the data cut."""
    stream = random_stream(seed, "events")
    one_each = hips.loc[stream.permutation(hips.index)].drop_duplicates("patient_id")
    for (_, hip), kind in zip(one_each.iterrows(), (*HAPPENINGS, LATEST), strict=False):
        day = int(stream.integers(kind.days[0], kind.days[1], endpoint=True))
        told = int(stream.integers(0, 14, endpoint=True))
        date = hip["surgery_date"] + pd.Timedelta(days=day)
        if kind is LATEST:
            date, told = pd.Timestamp(DATA_CUT) - pd.Timedelta(days=day), min(told, day)
        lasts = None if kind.lasts_days is None else int(stream.integers(*kind.lasts_days, endpoint=True))
        side = hip["side"] if kind.of_hip else None
        yield _row(
            hip["patient_id"],
            kind.event,
            date,
            kind.description,
            kind.judged,
            side=side,
            told_days=told,
            lasts_days=lasts,
        )
