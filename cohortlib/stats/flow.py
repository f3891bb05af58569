"""The flow of patients and hips through a study, as numbers at every stage."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.stats.completeness import COMPLETENESS_INPUT, least_complete
from cohortlib.stats.inputs import check_columns, check_one_row_a_hip, check_unique
from cohortlib.stats.small_cells import hidden_cells

#: What can have become of a hip at a visit, in the order of the figure; together they are all hips.
OUTCOMES = (
    "received",
    "missed",
    "lost",
    "death",
    "withdrawal",
    "revision",
    "hip operated on after the window",
    "window open",
    "not yet due",
)
#: Parts of those received, told apart because they are kept and labelled; one may be in several.
OUTSIDE = "outside window"
AFTER = tuple(f"after {event}" for event in ("death", "withdrawal", "revision"))
PARTS = (OUTSIDE, *AFTER)
FLOW_COLUMNS = ("step", "stage", "arm", "visit_id", "outcome", "n_patients", "n_hips", "note")
_COUNTS = ("n_patients", "n_hips")


def flow_table(
    rows: pd.DataFrame,
    *,
    examination: str = "visit",
    analysed: pd.DataFrame | None = None,
    suppress_below: int | None = None,
) -> pd.DataFrame:
    """Numbers of patients and hips at each stage: enrolled, in each arm, at each visit, analysed.

    Parameters
    ----------
    rows
        One row a hip, visit and examination, as `cohortlib.study.completeness` gives them.
    examination
        The one that the flow follows.
    analysed
        The hips of the primary analysis, one row each: hip_id. None leaves the stage out.
    suppress_below
        Counts from 1 to this less one, and those that would give them away, are left empty. None shows
        every count.

    Returns
    -------
    DataFrame
        step (0, 1, 2 … down the figure), stage (enrolled, arm, visit, analysed), arm ("" for all),
        visit_id, outcome, n_patients, n_hips, note. Outcomes: "enrolled" and "not operated"; "in arm"; of
        a visit those of `OUTCOMES` that occur, which add up to the arm, and those of `PARTS`, which are
        parts of "received"; "analysed" and "not analysed".

    Raises
    ------
    StudyError
        If columns are missing, no row has the examination, or a hip that was analysed is none of the study.

    Notes
    -----
    A patient with hips in two arms counts in both, so arms may add up to more than all patients. A patient
    with two hips in one arm counts once, with the hip that lacks most. Somebody who missed a visit may come
    to the next: visits are no sieve. Who was asked and did not take part is in no table of a study; say it
    beside the figure.

    References
    ----------
    von Elm E et al. The STROBE statement. Lancet 2007;370:1453-7, item 13.
    """
    check_columns(rows, [*COMPLETENESS_INPUT, "arm", "reason"])
    check_unique(
        rows, ["patient_id", "hip_id", "visit_id", "examination"], remedy="Give the rows of one data cut"
    )
    chosen = rows[rows["examination"] == examination].reset_index(drop=True)
    if chosen.empty:
        raise study_error(
            column="examination",
            found=examination,
            expected="one of " + ", ".join(rows["examination"].unique()),
            remedy="Choose one of these",
        )
    chosen = chosen.assign(outcome=_outcomes(chosen))
    hips = chosen.drop_duplicates(["patient_id", "hip_id"])
    operated = hips[hips["hip_id"].notna()]
    tables = [_stage("enrolled", _row(hips, outcome="enrolled"))]
    left = hips[~hips["patient_id"].isin(operated["patient_id"])]
    if len(left):
        tables.append(_stage("enrolled", _row(left, outcome="not operated")))
    tables += [_stage("arm", _row(part, outcome="in arm", arm=arm)) for arm, part in _arms(operated)]
    for visit_id in chosen["visit_id"].unique():
        at_visit = chosen[(chosen["visit_id"] == visit_id) & chosen["hip_id"].notna()]
        tables += [_stage("visit", _visit(part, arm, visit_id)) for arm, part in _arms(at_visit)]
    if analysed is not None:
        _check_analysed(analysed, operated)
        used = operated["hip_id"].isin(analysed["hip_id"])
        tables += [_stage("analysed", _analysed(part, used, arm)) for arm, part in _arms(operated)]
    table = pd.concat(tables, ignore_index=True)
    steps = table["stage"].astype(str) + table["visit_id"]
    table = table.assign(step=pd.factorize(steps)[0], note="")
    if suppress_below is not None:
        table = _without_small(table, suppress_below)
    return table[list(FLOW_COLUMNS)]


def _outcomes(rows: pd.DataFrame) -> pd.Series:
    """The word for what became of each row."""
    overdue, excused = rows["status"] == "overdue", rows["status"] == "excused"
    received = rows["status"].str.startswith("received")
    words = np.select(
        [received, overdue & (rows["reason"] == "lost"), overdue, excused],
        ["received", "lost", "missed", rows["reason"]],
        rows["status"],
    )
    return pd.Series(words, rows.index, dtype="str")


def _arms(rows: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    return [(str(arm), rows[rows["arm"] == arm]) for arm in rows["arm"].dropna().unique()]


def _row(rows: pd.DataFrame, *, outcome: str, arm: str = "", visit_id: str = "") -> pd.DataFrame:
    counts = {"n_patients": [rows["patient_id"].nunique()], "n_hips": [rows["hip_id"].nunique()]}
    return pd.DataFrame({"arm": [arm], "visit_id": [visit_id], "outcome": [outcome], **counts})


def _stage(stage: str, table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(stage=stage)


def _visit(rows: pd.DataFrame, arm: str, visit_id: str) -> pd.DataFrame:
    """The outcomes of one arm at one visit that occur, "received" always, and the parts of those received."""
    patients = least_complete(rows, ["visit_id"])
    other = [word for word in rows["outcome"].unique() if word not in OUTCOMES]
    lines = []
    for word in (*OUTCOMES, *other):
        n_hips = int((rows["outcome"] == word).sum())
        n_patients = int((patients["outcome"] == word).sum())
        if n_hips or n_patients or word == "received":
            lines.append((word, n_patients, n_hips))
    came = rows[rows["outcome"] == "received"]
    complete = patients.loc[patients["outcome"] == "received", "patient_id"]
    for place, part in enumerate(PARTS, start=1):
        column, value = ("status", "received outside window") if part == OUTSIDE else ("reason", part)
        chosen = came[came[column] == value]
        if len(chosen):
            lines.insert(place, (part, int(complete.isin(chosen["patient_id"]).sum()), len(chosen)))
    found = pd.DataFrame(lines, columns=["outcome", *_COUNTS])
    return found.assign(arm=arm, visit_id=visit_id)


def _analysed(rows: pd.DataFrame, used: pd.Series, arm: str) -> pd.DataFrame:
    """Analysed and not; a patient counts as analysed if one of his hips is."""
    mine = rows[used.loc[rows.index]]
    others = rows[~rows["patient_id"].isin(mine["patient_id"])]
    without = _row(others, outcome="not analysed", arm=arm).assign(n_hips=len(rows) - len(mine))
    return pd.concat([_row(mine, outcome="analysed", arm=arm), without], ignore_index=True)


def _check_analysed(analysed: pd.DataFrame, operated: pd.DataFrame) -> None:
    check_columns(analysed, ["hip_id"])
    check_one_row_a_hip(analysed)
    unknown = analysed.loc[~analysed["hip_id"].isin(operated["hip_id"]), "hip_id"]
    if len(unknown):
        raise study_error(
            column="analysed, hip_id",
            found=str(unknown.iloc[0]),
            count=len(unknown),
            expected="hips of the study",
            remedy="Take the hips of the analysis from the same study and data cut",
        )


def _without_small(table: pd.DataFrame, least: int) -> pd.DataFrame:
    """Small counts empty, and with them what gives them away: an arm is the sum of every visit's outcomes."""
    sums, result = _sums(table), table.copy()
    later = table["stage"].isin(["enrolled", "arm"])
    for column in _COUNTS:
        hidden = hidden_cells(table[column], sums, least=least, later=later)
        result[column] = table[column].astype("Int64").mask(hidden)
    result["note"] = np.where(
        result[list(_COUNTS)].isna().any(axis=1),
        f"counts below {least}, and those that would give them away, are not shown",
        "",
    )
    return result


def _sums(table: pd.DataFrame) -> NDArray[np.float64]:
    """Each row as a sum of parts: an arm is one; of a stage the first outcome is the arm less the others."""
    sums = np.eye(len(table))
    in_arm = table["stage"] == "arm"
    row_of = {str(arm): row for row, arm in enumerate(table["arm"]) if in_arm.iloc[row]}
    for (stage, arm, _), rows in table.groupby(["stage", "arm", "visit_id"], sort=False):
        places = rows.index[~rows["outcome"].isin(PARTS)].to_numpy()
        if stage == "enrolled":
            sums[places[0], [*row_of.values(), *places[1:]]] = 1
            sums[places[0], places[0]] = 0
        elif stage != "arm":
            sums[places[0]] = sums[row_of[str(arm)]] - sums[places[1:]].sum(axis=0)
    return sums
