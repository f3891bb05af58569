"""Radiolucent lines that progress, by a rule that was fixed beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem
from cohortlib.measure.rows import check_columns
from cohortlib.tables import ZONE_STATES

#: States in their order; "not assessable" has no place in it.
_ORDER = {state: place for place, state in enumerate(ZONE_STATES) if state != "not assessable"}
_KEYS = ("hip_id", "visit_id", "zone_system", "zone")
RESULTS = ("progressive", "once, to be confirmed", "not progressive", "not assessable")


def lucency_progression(
    lines: pd.DataFrame,
    *,
    visits: Sequence[str],
    baseline: str,
    width_limit_mm: float,
    extent_limit_percent: float | None = None,
) -> pd.DataFrame:
    """Which zones have a line that progressed against a named film, seen at two consecutive visits.

    Parameters
    ----------
    lines
        One row a zone of a hip at a visit: hip_id, visit_id, zone_system, zone, and any of state (one of
        `ZONE_STATES`), width_mm, extent_percent. Of one reader or method, or after adjudication.
    visits
        All visits in their order.
    baseline
        The visit that the lines are compared with.
    width_limit_mm, extent_limit_percent
        Beyond this a difference is more than error: the smallest detectable change of the study's own
        repeats. They have no default; None leaves the extent out.

    Returns
    -------
    DataFrame
        One row a hip and zone: hip_id, zone_system, zone, result (one of `RESULTS`), since (visit of the
        first of both), reason (which of state, width, extent), n_assessable (visits after the baseline).

    Raises
    ------
    StudyError
        If a column is missing, a state or visit is unknown, a zone has two rows at a visit, or a limit is
        not above 0.

    Notes
    -----
    A visit is worse than the baseline if its state stands higher in none, incomplete, complete, or its width
    or extent is larger by more than the limit. Progressive = worse at two consecutive visits that can be
    assessed; worse at the last one alone waits to be confirmed. A visit that is not assessable neither
    confirms nor clears. A line without a width counts by its state only. A missing baseline or one that is
    not assessable makes the zone not assessable: nothing is compared with a film that shows nothing.
    """
    _check(lines, visits, baseline, width_limit_mm, extent_limit_percent)
    after = list(visits)[list(visits).index(baseline) + 1 :]
    limits = {"width_mm": width_limit_mm, "extent_percent": extent_limit_percent}
    rows = []
    for (hip, system, zone), table in lines.groupby(["hip_id", "zone_system", "zone"], sort=False):
        by_visit = {str(row["visit_id"]): row for row in table.to_dict("records")}
        seen = [(visit, by_visit[visit]) for visit in after if _assessable(by_visit.get(visit))]
        first = by_visit.get(baseline)
        result, since, reason = RESULTS[3], "", ""
        if _assessable(first) and seen:
            result, since, reason = _judged([(visit, _worse(row, first, limits)) for visit, row in seen])
        rows.append([hip, system, zone, result, since, reason, len(seen)])
    columns = ["hip_id", "zone_system", "zone", "result", "since", "reason", "n_assessable"]
    return pd.DataFrame(rows, columns=columns)


def _judged(visits: list[tuple[str, str]]) -> tuple[str, str, str]:
    for (visit, reason), (_, again) in pairwise(visits):
        if reason and again:
            return RESULTS[0], visit, reason
    last, reason = visits[-1]
    return (RESULTS[1], last, reason) if reason else (RESULTS[2], "", "")


def _worse(row: dict[Any, Any], first: Any, limits: dict[str, float | None]) -> str:
    """Which of state, width and extent are beyond error above the baseline, in words."""
    found = []
    if "state" in row and _ORDER[row["state"]] > _ORDER[first["state"]]:
        found.append(f"state {first['state']} → {row['state']}")
    for name, limit in limits.items():
        now, then = _size(row, name), _size(first, name)
        if limit is not None and now - then > limit:
            found.append(f"{name} {then:g} → {now:g}")
    return ", ".join(found)


def _size(row: dict[Any, Any], name: str) -> float:
    """A width or extent; 0 where there is no line, NaN where it was not measured."""
    if row.get("state") == "none":
        return 0.0
    value = row.get(name)
    return np.nan if value is None or pd.isna(value) else float(value)


def _assessable(row: dict[Any, Any] | None) -> bool:
    if row is None:
        return False
    if "state" in row:
        return row["state"] in _ORDER
    return any(np.isfinite(_size(row, name)) for name in ("width_mm", "extent_percent"))


def _check(
    lines: pd.DataFrame,
    visits: Sequence[str],
    baseline: str,
    width_limit_mm: float,
    extent_limit_percent: float | None,
) -> None:
    """Raise with everything that is wrong with the arguments of `lucency_progression`."""
    check_columns(lines, _KEYS, name="lines")
    order = ", ".join(visits)
    problems = []
    if baseline not in visits:
        problems.append(_problem("baseline", baseline, 1, f"one of {order}", "Name the visit compared with"))
    unknown = lines.loc[~lines["visit_id"].isin(list(visits)), "visit_id"]
    if len(unknown):
        problems.append(
            _problem("visit_id", unknown.iloc[0], len(unknown), f"one of {order}", "List all visits")
        )
    if not {"state", "width_mm", "extent_percent"} & set(lines.columns):
        expected = "a column state, width_mm or extent_percent"
        problems.append(
            _problem("state", "nothing to compare", 1, expected, "Give what was graded or measured")
        )
    if "state" in lines.columns:
        odd = lines.loc[~lines["state"].isin(ZONE_STATES), "state"]
        if len(odd):
            expected = ", ".join(ZONE_STATES)
            problems.append(_problem("state", str(odd.iloc[0]), len(odd), expected, "Correct the state"))
    twice = lines.loc[lines.duplicated(list(_KEYS)), list(_KEYS)]
    if len(twice):
        found, remedy = ", ".join(map(str, twice.iloc[0])), "Give one reader, or the adjudicated grade"
        problems.append(_problem(", ".join(_KEYS), found, len(twice), "one row a zone and visit", remedy))
    for name, limit in (("width_limit_mm", width_limit_mm), ("extent_limit_percent", extent_limit_percent)):
        if limit is not None and not limit > 0:
            remedy = "Take the smallest detectable change of the study's own repeats"
            problems.append(_problem(name, float(limit), 1, "a limit above 0", remedy))
    if problems:
        raise StudyError(problems)


def _problem(column: str, found: object, count: int, expected: str, remedy: str) -> dict[str, Any]:
    return problem(file="lines", column=column, found=found, count=count, expected=expected, remedy=remedy)
