"""Signs of loosening on films, by limits that a study names: which are there, which cannot be told."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem
from cohortlib.measure.comparability import TECHNIQUE_CHANGED
from cohortlib.measure.progression import RESULTS
from cohortlib.measure.rows import check_columns
from cohortlib.tables import ZONE_STATES, ZONE_SYSTEMS

#: What is said of a sign.
PRESENT, ABSENT, UNTOLD = "yes", "no", "not told"
_ZONE = ["hip_id", "zone_system", "zone"]
_DETECTION = 1.96


def signs_of_loosening(
    lines: pd.DataFrame,
    progression: pd.DataFrame,
    changes: pd.DataFrame,
    *,
    line_limit_mm: float,
    change_limits: Mapping[str, float],
) -> pd.DataFrame:
    """Wide lines that progress or run through all zones, and components that moved, hip by hip.

    Parameters
    ----------
    lines
        Lines at the visit that is judged, one row a hip and zone: hip_id, zone_system, zone, state (one of
        `ZONE_STATES`), width_mm. Of one reader or method, or after adjudication.
    progression
        From `lucency_progression`: hip_id, zone_system, zone, result.
    changes
        From `change_since`, of that visit and one reader: hip_id, quantity, value, sd; and note where
        `flagged_changes` wrote there that technique changed.
    line_limit_mm
        A line of at least this width counts [mm]; 1, some take 2 (from memory). It has no default.
    change_limits
        Quantity of `changes` → more than this, either way, has moved, in its unit. Papers name 3 to 5 mm and
        5 degrees (from memory). For subsidence only a component that stands deeper counts.

    Returns
    -------
    DataFrame
        One row a hip and sign: hip_id, sign, result ("yes", "no" or "not told"), reason.

    Raises
    ------
    StudyError
        If a column is missing, a zone or change has two rows, a state or result is unknown, or a limit is not
        above 0.

    Notes
    -----
    Two signs for each zone system of a hip: a line of at least the limit in *all* its zones, and one in a
    zone that progressed. A zone that is not assessable or has no row leaves a sign untold unless the others
    decide it. A change has moved if it is beyond its limit *and* beyond 1.96 of its own standard deviation;
    where that is so wide that the limit lies within it, no movement is "not told". Neither is a movement
    between films of another technique: they have to be taken alike first. A change that is not among
    `changes` has no row. A sign is none of a patient's complaint: whether a component is loose is decided by
    the responsible clinician.

    References
    ----------
    Usual criteria of cementless components (from memory).
    """
    _check(lines, progression, changes, line_limit_mm, change_limits)
    rows = [*_lines(lines, progression, line_limit_mm), *_moved(changes, change_limits)]
    return pd.DataFrame(rows, columns=["hip_id", "sign", "result", "reason"])


def _lines(lines: pd.DataFrame, progression: pd.DataFrame, limit: float) -> Iterator[list[str]]:
    grown = progression.set_index(_ZONE)["result"].to_dict()
    for (hip, system), table in lines.groupby(["hip_id", "zone_system"], sort=False):
        seen = {str(row["zone"]): row for row in table.to_dict("records")}
        wide, both = {}, {}
        for zone in ZONE_SYSTEMS[str(system)].names:
            wide[zone] = _wide(seen.get(zone), limit)
            both[zone] = _both(wide[zone], str(grown.get((hip, system, zone), RESULTS[3])))
        # All: one zone without decides. Any: one zone with decides.
        for sign, states, decisive in (
            (f"{system}: line in all zones", wide, ABSENT),
            (f"{system}: line that progressed", both, PRESENT),
        ):
            found = list(states.values())
            other = PRESENT if decisive == ABSENT else ABSENT
            result = decisive if decisive in found else UNTOLD if UNTOLD in found else other
            zones = [zone for zone, state in states.items() if state == result]
            yield [str(hip), sign, result, f"zones {', '.join(zones)}: {result}"]


def _wide(row: dict[Any, Any] | None, limit: float) -> str:
    """Whether a zone has a line of at least the limit."""
    if row is None or row["state"] == "not assessable":
        return UNTOLD
    if row["state"] == "none":
        return ABSENT
    width = row["width_mm"]
    return UNTOLD if pd.isna(width) else PRESENT if float(width) >= limit else ABSENT


def _both(wide: str, grown: str) -> str:
    if wide == ABSENT or grown == RESULTS[2]:
        return ABSENT
    return PRESENT if wide == PRESENT and grown == RESULTS[0] else UNTOLD


def _moved(changes: pd.DataFrame, limits: Mapping[str, float]) -> Iterator[list[str]]:
    for row in changes[changes["quantity"].isin(list(limits))].to_dict("records"):
        name, value, sd = str(row["quantity"]), float(row["value"]), float(row["sd"])
        limit = limits[name]
        size = value if name == "subsidence" else abs(value)
        known = _DETECTION * sd
        if not (np.isfinite(value) and np.isfinite(sd)):
            result, reason = UNTOLD, "no value"
        elif size > limit:
            unlike = str(row.get("note", "")).startswith(TECHNIQUE_CHANGED)
            result = PRESENT if size > known and not unlike else UNTOLD
            reason = f"{value:.1f}, limit {limit:g}, detection limit {known:.1f}"
            reason = f"{TECHNIQUE_CHANGED}; {reason}" if unlike else reason
        else:
            result = ABSENT if known <= limit else UNTOLD
            reason = f"{value:.1f}, limit {limit:g}, detection limit {known:.1f}"
        yield [str(row["hip_id"]), f"{name} beyond {limit:g}", result, reason]


def _check(
    lines: pd.DataFrame,
    progression: pd.DataFrame,
    changes: pd.DataFrame,
    line_limit_mm: float,
    change_limits: Mapping[str, float],
) -> None:
    check_columns(lines, (*_ZONE, "state", "width_mm"), name="lines")
    check_columns(progression, (*_ZONE, "result"), name="progression")
    check_columns(changes, ("hip_id", "quantity", "value", "sd"), name="changes")
    used = changes[changes["quantity"].isin(list(change_limits))]
    problems = []
    for table, name, keys in (
        (lines, "lines", _ZONE),
        (progression, "progression", _ZONE),
        (used, "changes", ["hip_id", "quantity"]),
    ):
        twice = table.loc[table.duplicated(keys), keys]
        if len(twice):
            found = ", ".join(map(str, twice.iloc[0])) + " twice"
            remedy = "Give one visit and one reader, or the adjudicated grade"
            problems.append(_problem(name, ", ".join(keys), found, len(twice), "one row each", remedy))
    for table, name, column, known in (
        (lines, "lines", "state", ZONE_STATES),
        (lines, "lines", "zone_system", tuple(ZONE_SYSTEMS)),
        (progression, "progression", "result", RESULTS),
    ):
        odd = table.loc[~table[column].isin(list(known)), column]
        if len(odd):
            problems.append(
                _problem(name, column, str(odd.iloc[0]), len(odd), ", ".join(known), "Correct it")
            )
    known_zones = {(system, zone) for system, one in ZONE_SYSTEMS.items() for zone in one.names}
    pairs = list(zip(lines["zone_system"].astype(str), lines["zone"].astype(str), strict=True))
    lost = [pair for pair in pairs if pair[0] in ZONE_SYSTEMS and pair not in known_zones]
    if lost:
        expected = ", ".join(ZONE_SYSTEMS[lost[0][0]].names)
        problems.append(_problem("lines", "zone", ", ".join(lost[0]), len(lost), expected, "Correct it"))
    for label, limit in (("line_limit_mm", line_limit_mm), *change_limits.items()):
        if not limit > 0:
            remedy = "Name the limit of the study, with its source"
            problems.append(_problem("limits", label, float(limit), 1, "a limit above 0", remedy))
    if problems:
        raise StudyError(problems)


def _problem(file: str, column: str, found: object, count: int, expected: str, remedy: str) -> dict[str, Any]:
    return problem(file=file, column=column, found=found, count=count, expected=expected, remedy=remedy)
