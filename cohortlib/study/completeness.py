"""Completeness: what was expected of every hip by the data cut, what came, and what is missing."""

from __future__ import annotations

import datetime

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.study.columns import empty_table
from cohortlib.study.endings import LOST, endings
from cohortlib.study.examinations import expected_examinations, received_examinations
from cohortlib.tables import DICTIONARY, Study

#: Every row has one of these; together they are all rows.
STATUSES = (
    "received in window",
    "received outside window",
    "received, window unknown",
    "overdue",
    "window open",
    "not yet due",
    "excused",
)
COMPLETENESS_COLUMNS = (
    "hip_id",
    "patient_id",
    "arm",
    "visit_id",
    "examination",
    "owner",
    "due_date",
    "window_start",
    "window_end",
    "received_on",
    "expected",
    "due",
    "received",
    "in_window",
    "overdue",
    "status",
    "reason",
)
_KEYS = ["hip_id", "patient_id", "visit_id", "examination"]


def completeness(study: Study, *, data_cut: datetime.date | str | None = None) -> pd.DataFrame:
    """What each hip owes at each visit on the day of the data cut, and whether it came.

    Parameters
    ----------
    study
        From `read_study`. `examinations` under [[visits]] in study.toml says what a visit asks for; without
        it, the visit itself and every instrument.
    data_cut
        The last day that counts; later visits, images and events are not known yet. None takes the one of
        study.toml.

    Returns
    -------
    DataFrame
        One row a hip, visit and examination, in the order of the tables and the schedule:

        - hip_id, patient_id, arm, visit_id, examination ("visit", an instrument, "radiograph" …), owner:
          "patient" or "hip". An examination of the patient stands once for each of his hips, so that hips
          can be counted; count patients by patient_id.
        - due_date, window_start, window_end (both ends belong to it), counted from the patient's first
          operation; received_on, the day nearest to the due date, one in the window before others.
        - expected: not excused. due: expected, and the due date is reached. received, in_window (missing
          where nothing came), overdue: expected, not received, and the window is over.
        - status: one of `STATUSES`. "window open": the due date is reached, the window is not over.
        - reason: why excused (death, withdrawal, revision of this hip, or the hip was operated on after the
          window); "lost" where the patient is lost to follow-up, which excuses nothing; "after revision"
          and the like on what came after an ending; "no operation" and "operated after the data cut" where
          nothing can be due yet. Else "".

        A patient without a study hip has rows without hip_id and arm.

    Raises
    ------
    StudyError
        If no data cut is known or it lies after that of study.toml, or a revision of a patient with two
        study hips does not say which hip.

    Notes
    -----
    Due and overdue follow from dates alone, never from whether something came: else patients who come early
    would count as due and those who may still come would not, and every share would look better than it is.
    An image before a hip's operation does not count for a visit after it.

    References
    ----------
    von Elm E et al. The STROBE statement. Lancet 2007;370:1453-7, items 13 and 14: numbers at each stage.

    Example
    -------
    >>> rows = completeness(study)  # doctest: +SKIP
    >>> rows.groupby(["visit_id", "examination", "status"]).size()  # doctest: +SKIP
    """
    cut = _data_cut(study, data_cut)
    rows = _with_dates(_expected_rows(study, cut), study)
    rows = _with_received(rows, study, cut)
    return _with_status(rows, cut)[list(COMPLETENESS_COLUMNS)]


def _data_cut(study: Study, given: datetime.date | str | None) -> pd.Timestamp:
    cut = study.data_cut if given is None else _day(given)
    if cut is None:
        raise study_error(
            column="data_cut",
            found="no data cut",
            expected="the last day whose data count",
            remedy='Write data_cut in study.toml, or data_cut="2031-06-30" here',
        )
    if study.data_cut is not None and cut > study.data_cut:
        raise study_error(
            column="data_cut",
            found=f"{cut:%Y-%m-%d}",
            expected=f"a day up to data_cut in study.toml, {study.data_cut:%Y-%m-%d}",
            remedy="Later visits are not in the tables, and would all seem overdue: move data_cut there",
        )
    return cut


def _day(given: datetime.date | str) -> pd.Timestamp:
    try:
        day = pd.Timestamp(given)
    except (ValueError, TypeError):
        day = pd.Timestamp("NaT")
    if pd.isna(day) or day.tzinfo is not None or day != day.normalize():
        raise study_error(
            column="data_cut",
            found=str(given),
            expected="a day such as 2031-06-30",
            remedy="Write the year, the month and the day",
        )
    return day.as_unit("us")


def _expected_rows(study: Study, cut: pd.Timestamp) -> pd.DataFrame:
    """One row a hip (or a patient without one), visit and examination."""
    hips = study.hips[["hip_id", "patient_id", "side", "arm", "surgery_date"]]
    others = study.patients.loc[~study.patients["patient_id"].isin(hips["patient_id"]), ["patient_id"]]
    everyone = pd.concat([hips, others], ignore_index=True)
    events = study.tables.get("events")
    if events is None:
        events = empty_table(DICTIONARY["events"])
    everyone = endings(everyone, events, cut)
    return everyone.merge(expected_examinations(study.schedule, study.instruments), how="cross")


def _with_dates(rows: pd.DataFrame, study: Study) -> pd.DataFrame:
    index_date = rows["patient_id"].map(study.hips.groupby("patient_id")["surgery_date"].min())
    windows = study.schedule.set_index("visit_id")
    dates = {"due_date": "due_days", "window_start": "earliest_days", "window_end": "latest_days"}
    days = {column: rows["visit_id"].map(windows[name]) for column, name in dates.items()}
    return rows.assign(
        after_surgery=days["window_start"] >= 0,
        **{column: index_date + pd.to_timedelta(number, unit="D") for column, number in days.items()},
    )


def _with_received(rows: pd.DataFrame, study: Study, cut: pd.Timestamp) -> pd.DataFrame:
    """The rows with received_on and in_window."""
    came = received_examinations(study.tables, rows["examination"].unique())
    came = came[came["received_on"].isna() | (came["received_on"] <= cut)]
    keys = ["patient_id", "visit_id", "examination"]
    parts = []
    for whose, part in rows.groupby("owner", sort=False):
        on = keys if whose == "patient" else [*keys, "hip_id"]
        of_owner = came[came["hip_id"].isna()] if whose == "patient" else came[came["hip_id"].notna()]
        parts.append(
            part.reset_index().merge(of_owner[[*on, "received_on"]].assign(came=True), on=on, how="left")
        )
    joined = pd.concat(parts, ignore_index=True)
    day = joined["received_on"]
    # A film taken before a hip was operated on is none of its follow-up.
    early = (joined["owner"] == "hip") & joined["after_surgery"] & (day < joined["surgery_date"])
    joined["received"] = joined["came"].notna() & ~early
    joined["received_on"] = day.mask(~joined["received"])
    inside = (day >= joined["window_start"]) & (day <= joined["window_end"])
    known = joined["received"] & day.notna() & joined["window_start"].notna()
    joined["in_window"] = inside.astype("boolean").mask(~known)
    joined["away"] = (day - joined["due_date"]).abs()
    joined["rank"] = np.select([joined["in_window"].fillna(False), joined["received"]], [0, 1], 2)
    joined = joined.sort_values(["index", "rank", "away", "received_on"], kind="stable")
    return joined.drop_duplicates("index").reset_index(drop=True)


def _with_status(rows: pd.DataFrame, cut: pd.Timestamp) -> pd.DataFrame:
    received, end = rows["received"], rows["window_end"]
    inside = rows["in_window"]
    operated = rows["surgery_date"] <= cut
    nothing_due = rows["surgery_date"].isna()
    ended = ~received & ((rows["ended_on"] <= end) | (nothing_due & rows["ended_on"].notna()))
    too_early = ~received & operated & rows["after_surgery"] & (end < rows["surgery_date"])
    excused = ended | too_early
    due = ~excused & operated & (rows["due_date"] <= cut)
    overdue = due & ~received & (end < cut)
    status = np.select(
        [
            received & inside.isna(),
            received & inside.fillna(False).astype(bool),
            received,
            excused,
            overdue,
            due,
        ],
        [STATUSES[2], STATUSES[0], STATUSES[1], "excused", "overdue", "window open"],
        "not yet due",
    )
    reason = np.select(
        [
            ended,
            too_early,
            received & (rows["ended_on"] < rows["received_on"]),
            ~received & nothing_due,
            ~received & ~operated,
            ~received & (rows["lost_on"] <= end),
        ],
        [
            rows["ended_by"],
            "hip operated on after the window",
            "after " + rows["ended_by"],
            "no operation",
            "operated after the data cut",
            LOST,
        ],
        "",
    )
    return rows.assign(
        expected=~excused,
        due=due,
        overdue=overdue,
        status=pd.Series(status, rows.index, dtype="str"),
        reason=pd.Series(reason, rows.index, dtype="str"),
    )
