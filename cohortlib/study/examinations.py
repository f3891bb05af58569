"""What a visit consists of: which examinations there are, whose they are, and where they leave a trace."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal, NamedTuple

import pandas as pd

from cohortlib.tables import DICTIONARY

Owner = Literal["patient", "hip"]

#: The visit itself: always expected.
VISIT = "visit"
#: Column with the day of the examination, where that is not the day of the visit.
_OWN_DAY = {"images": "taken_on", "densitometry": "scanned_on", "gait_trials": "walked_on"}


class Examination(NamedTuple):
    """One kind of examination: whose it is, and the tables in which a row says that it was made."""

    owner: Owner
    tables: tuple[str, ...]


#: Besides these, every instrument of study.toml is an examination of the patient.
EXAMINATIONS = {
    VISIT: Examination("patient", ("visits",)),
    **{kind: Examination("hip", ("images",)) for kind in DICTIONARY["images"]["kind"].allowed},
    "densitometry": Examination("hip", ("densitometry", "images")),
    "blood": Examination("patient", ("blood",)),
    "gait": Examination("patient", ("gait_trials",)),
}
RECEIVED_COLUMNS = ("examination", "patient_id", "hip_id", "visit_id", "received_on")


def examination_names(instruments: Iterable[str]) -> list[str]:
    """What may stand under `examinations` of a visit in study.toml, given the study's instruments."""
    return [*(name for name in EXAMINATIONS if name != VISIT), *instruments]


def expected_examinations(schedule: pd.DataFrame, instruments: pd.DataFrame) -> pd.DataFrame:
    """Which examinations are expected at which visit.

    Parameters
    ----------
    schedule
        visit_id, and examinations where study.toml names them: a tuple, or missing.
    instruments
        instrument.

    Returns
    -------
    DataFrame
        visit_id, examination, owner, in the order of the schedule; the visit itself first. Without
        `examinations` a visit asks for all instruments and for nothing else.
    """
    usual = tuple(instruments["instrument"])
    given = schedule["examinations"] if "examinations" in schedule else [None] * len(schedule)
    rows = []
    for visit_id, named in zip(schedule["visit_id"], given, strict=True):
        names = tuple(named) if isinstance(named, tuple | list) else usual
        rows += [(visit_id, name, owner(name)) for name in dict.fromkeys((VISIT, *names))]
    return pd.DataFrame(rows, columns=["visit_id", "examination", "owner"])


def owner(examination: str) -> Owner:
    """Whose an examination is; that of an instrument is the patient's."""
    return EXAMINATIONS[examination].owner if examination in EXAMINATIONS else "patient"


def received_examinations(tables: Mapping[str, pd.DataFrame], names: Iterable[str]) -> pd.DataFrame:
    """Every examination that left a trace in the tables, with its day.

    Parameters
    ----------
    tables
        As in a `Study`; a table that is not there holds no examination.
    names
        The examinations looked for.

    Returns
    -------
    DataFrame
        examination, patient_id, hip_id (missing for an examination of the patient), visit_id, received_on
        (the examination's own day, else that of the visit). An image without a side shows both hips. A
        questionnaire counts if one question was answered.
    """
    visit_day = tables["visits"].set_index(["patient_id", "visit_id"])["date"]
    found = [
        _with_days(rows, visit_day).assign(examination=name)
        for name in names
        for rows in _traces(tables, name)
        if not rows.empty
    ]
    if not found:
        return pd.DataFrame(
            {column: pd.Series(dtype="str") for column in RECEIVED_COLUMNS[:-1]}
            | {"received_on": pd.Series(dtype="datetime64[us]")}
        )
    return pd.concat(found, ignore_index=True)[list(RECEIVED_COLUMNS)]


def _traces(tables: Mapping[str, pd.DataFrame], name: str) -> list[pd.DataFrame]:
    """Rows patient_id, hip_id, visit_id, own_day, one table at a time."""
    if name not in EXAMINATIONS:
        if "answers" not in tables:
            return []
        answers = tables["answers"]
        answered = answers[(answers["instrument"] == name) & answers["answer"].notna()]
        return [_of_patients(answered)]
    traces = []
    for table in EXAMINATIONS[name].tables:
        if table not in tables:
            continue
        rows = tables[table].rename(columns={_OWN_DAY.get(table, ""): "own_day"})
        if table == "images":
            traces.append(_of_shown_hips(rows[rows["kind"] == name], tables["hips"]))
        elif table == "densitometry":
            owners = tables["hips"][["hip_id", "patient_id"]]
            traces.append(_distinct(rows[rows["measured_side"] == "operated"].merge(owners, on="hip_id")))
        else:
            traces.append(_of_patients(rows))
    return traces


def _of_patients(rows: pd.DataFrame) -> pd.DataFrame:
    # A million answers are few distinct visits.
    return _distinct(rows.reindex(columns=["patient_id", "visit_id", "own_day"]))


def _of_shown_hips(images: pd.DataFrame, hips: pd.DataFrame) -> pd.DataFrame:
    shown = images.reindex(columns=["patient_id", "visit_id", "own_day", "side"])
    rows = shown.merge(hips[["hip_id", "patient_id", "side"]], on="patient_id", suffixes=("_shown", ""))
    return _distinct(rows[rows["side_shown"].isna() | (rows["side_shown"] == rows["side"])])


def _distinct(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.reindex(columns=["patient_id", "hip_id", "visit_id", "own_day"]).drop_duplicates()


def _with_days(rows: pd.DataFrame, visit_day: pd.Series) -> pd.DataFrame:
    keys = pd.MultiIndex.from_frame(rows[["patient_id", "visit_id"]])
    own = pd.to_datetime(rows["own_day"]).to_numpy(dtype="datetime64[us]")
    came = visit_day.reindex(keys).to_numpy(dtype="datetime64[us]")
    return rows.assign(received_on=pd.Series(own, rows.index).fillna(pd.Series(came, rows.index)))
