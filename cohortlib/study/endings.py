"""Events after which no more is expected of a patient or of a hip."""

from __future__ import annotations

import pandas as pd

from cohortlib.errors import StudyError, problem
from cohortlib.study.grouping import file_name

#: Events that excuse what was due after them: of the patient, and of one hip. Common practice, no source.
OF_PATIENT, OF_HIP = ("death", "withdrawal"), ("revision",)
#: Excuses nothing: a patient lost to follow-up still owes his visits.
LOST = "lost"


def endings(hips: pd.DataFrame, events: pd.DataFrame, data_cut: pd.Timestamp) -> pd.DataFrame:
    """The first event that ended the study of each hip, and since when the patient is lost.

    Parameters
    ----------
    hips
        hip_id, patient_id, side; a patient without a study hip has one row without hip_id and side.
    events
        patient_id, side, event, date.
    data_cut
        Later events are not known yet.

    Returns
    -------
    DataFrame
        The rows of `hips`, with ended_on, ended_by (death, withdrawal or revision; on one day in this
        order; "" for none) and lost_on.

    Raises
    ------
    StudyError
        If a revision of a patient with two study hips does not say which.
    """
    known = events[events["date"] <= data_cut]
    of_hip = known["event"].isin(OF_HIP)
    hips_each = known["patient_id"].map(hips.groupby("patient_id").size())
    _check_sides(known[of_hip & known["side"].isna() & (hips_each > 1)])
    numbered = hips.reset_index(drop=True).rename_axis("place").reset_index()
    rows = known.rename(columns={"side": "event_side"}).merge(numbered, on="patient_id")
    this_hip = rows["event"].isin(OF_HIP) & (rows["event_side"].isna() | (rows["event_side"] == rows["side"]))
    ending = rows[rows["event"].isin(OF_PATIENT) | this_hip]
    order = {event: place for place, event in enumerate((*OF_PATIENT, *OF_HIP))}
    ending = ending.assign(order=ending["event"].map(order)).sort_values(["date", "order"], kind="stable")
    first = ending.drop_duplicates("place").set_index("place")
    lost = rows[rows["event"] == LOST].groupby("place")["date"].min()
    return numbered.drop(columns="place").assign(
        ended_on=first["date"].reindex(numbered.index),
        ended_by=first["event"].reindex(numbered.index).fillna(""),
        lost_on=lost.reindex(numbered.index),
    )


def _check_sides(unclear: pd.DataFrame) -> None:
    if not unclear.empty:
        raise StudyError(
            problem(
                file=file_name("events"),
                column="side",
                found=f"no side of the {row.event} of {row.patient_id} on {row.date:%Y-%m-%d}",
                expected="left or right, for a patient with two study hips",
                remedy="Write which hip it was",
            )
            for row in unclear.itertuples()
        )
