"""How complete a study is: what was due, what came, what is overdue, of patients and of hips."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from cohortlib.stats.inputs import check_choice, check_columns, check_names, check_unique, identifiers
from cohortlib.stats.small_cells import without_small_counts

#: Statuses of a completeness row, the one that decides for a patient with several hips first.
STATUS_ORDER = (
    "overdue",
    "window open",
    "not yet due",
    "received, window unknown",
    "received outside window",
    "received in window",
    "excused",
)
_RECEIVED = {
    "received in window": "n_in_window",
    "received outside window": "n_outside_window",
    "received, window unknown": "n_window_unknown",
}
_MISSING = {"overdue": "n_overdue", "window open": "n_window_open", "not yet due": "n_not_yet_due"}
#: Each count with the parts that add up to it: status, and for what came whether it was due.
_SUMS: dict[str, tuple[str, ...]] = {
    **{name: (f"{status}, due", f"{status}, early") for status, name in _RECEIVED.items()},
    **{name: (status,) for status, name in _MISSING.items()},
    "n_excused": ("excused",),
}
_EARLY_OR_DUE = tuple(part for name in _RECEIVED.values() for part in _SUMS[name])
_CAME_DUE = tuple(f"{status}, due" for status in _RECEIVED)
SUMS: dict[str, tuple[str, ...]] = {
    "n_all": (*_EARLY_OR_DUE, *_MISSING, "excused"),
    "n_excused": ("excused",),
    "n_expected": (*_EARLY_OR_DUE, *_MISSING),
    "n_due": (*_CAME_DUE, "overdue", "window open"),
    "n_received": _EARLY_OR_DUE,
    "n_received_of_due": _CAME_DUE,
    **{name: _SUMS[name] for name in (*_RECEIVED.values(), *_MISSING.values())},
}
COMPLETENESS_INPUT = ("hip_id", "patient_id", "visit_id", "examination", "due", "status")


def completeness_summary(
    rows: pd.DataFrame, *, by: Sequence[str] = ("arm",), suppress_below: int | None = None
) -> pd.DataFrame:
    """How much of what was due came, by visit and examination, counted in patients and in hips.

    Parameters
    ----------
    rows
        One row a hip, visit and examination, as `cohortlib.study.completeness` gives them.
    by
        Columns that make the groups besides visit and examination; () takes all together.
    suppress_below
        Counts from 1 to this less one, and those that would give them away within a row, are left empty;
        for tables that are shared. None shows every count.

    Returns
    -------
    DataFrame
        Two rows a group, visit and examination: the columns of `by`, visit_id, examination, counted
        ("patients" or "hips"), n_all, n_excused, n_expected (= n_all − n_excused), n_due, n_received,
        n_received_of_due, percent_received_of_due, n_in_window, n_outside_window, n_window_unknown,
        n_overdue, n_window_open, n_not_yet_due, note. In the order of `rows`.

    Raises
    ------
    StudyError
        If a column is missing, a hip has two rows for an examination, or a status is unknown.

    Notes
    -----
    A patient with two hips in a group counts once, with the hip that lacks most: he is "received" if
    nothing is missing of any hip that is not excused. The percentage is of those whose due date is reached,
    so what came early is in n_received but not in it.
    """
    check_names("by", by)
    check_columns(rows, [*COMPLETENESS_INPUT, *by])
    groups = [*by, "visit_id", "examination"]
    identifiers(rows, "patient_id")
    for status in rows["status"].unique():
        check_choice("status", status, STATUS_ORDER)
    check_unique(
        rows, ["patient_id", "hip_id", "visit_id", "examination"], remedy="Give the rows of one data cut"
    )
    patients = least_complete(rows, groups)
    hips = rows[rows["hip_id"].notna()]
    order = rows[groups].drop_duplicates()
    counted = [
        _counts(part, groups).assign(counted=word) for word, part in (("patients", patients), ("hips", hips))
    ]
    both = pd.concat([order.merge(part, on=groups, how="inner") for part in counted], ignore_index=True)
    place = order.assign(place=np.arange(len(order)))
    both = both.merge(place, on=groups).sort_values("place", kind="stable").reset_index(drop=True)
    with np.errstate(invalid="ignore"):
        both["percent_received_of_due"] = 100 * (both["n_received_of_due"] / both["n_due"].replace(0, np.nan))
    both["note"] = ""
    if suppress_below is not None:
        both = without_small_counts(
            both,
            sums=SUMS,
            shares={"percent_received_of_due": ("n_received_of_due", "n_due")},
            known=("n_not_yet_due", "n_excused", "n_due", "n_expected", "n_all"),
            least=suppress_below,
        )
    first = list(SUMS)[: list(SUMS).index("n_received_of_due") + 1]
    rest = [name for name in SUMS if name not in first]
    return both[[*groups, "counted", *first, "percent_received_of_due", *rest, "note"]]


def least_complete(rows: pd.DataFrame, groups: Sequence[str]) -> pd.DataFrame:
    """One row a patient and group: that of his hip which lacks most; an excused hip decides only alone."""
    order = {status: place for place, status in enumerate(STATUS_ORDER)}
    place = rows["status"].map(order) * 2 - rows["due"].astype(int)
    ranked = np.argsort(place.to_numpy(), kind="stable")
    first = ~rows.iloc[ranked].duplicated(["patient_id", *groups]).to_numpy()
    return rows.iloc[np.sort(ranked[first])]


def _counts(rows: pd.DataFrame, groups: Sequence[str]) -> pd.DataFrame:
    """Every count of `SUMS` by group."""
    came = rows["status"].isin(list(_RECEIVED))
    timing = pd.Series(np.where(rows["due"], ", due", ", early"), rows.index)
    part = rows["status"].astype(str) + timing.where(came, "")
    parts = rows.assign(part=part).groupby([*groups, "part"], dropna=False, sort=False).size()
    wide = parts.unstack("part", fill_value=0)
    counts = {
        name: sum((wide[one] for one in adds if one in wide), pd.Series(0, wide.index))
        for name, adds in SUMS.items()
    }
    return pd.DataFrame(counts).astype("int64").reset_index()
