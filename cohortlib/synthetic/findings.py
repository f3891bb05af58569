"""What happens to a few hips between two films: lines, a sinking stem, a narrowing neck, new bone.

Everything is put in on purpose, each kind from a stream of its own: a hip without a finding is as it was.
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from cohortlib.synthetic.lucent_line import ZONE_SYSTEM, ZONES, LucentLine
from cohortlib.synthetic.streams import random_stream

#: Hips with a film at each of `VISITS` that get a finding.
VISITS = ("week_6", "month_12")
N_PROGRESSIVE, N_STABLE, N_SUBSIDED, N_NARROWED, N_OSSIFIED = 6, 3, 4, 6, 3
#: Of the lines that grow: which zones have them at each visit, with the width [mm] and the part of the zone;
#: later visits keep the zones of the earlier ones.
_CUP_COURSES = (
    (((1, 0.8, 0.4),), ((1, 2.0, 0.8), (2, 1.0, 0.4))),
    ((), ((1, 1.2, 0.7), (2, 1.0, 1.0), (3, 1.0, 0.6))),
    (((3, 0.7, 0.4),), ((3, 1.2, 0.8),)),
)
_STEM_COURSES = {
    "short_stem": (
        (((1, 0.8, 0.5),), ((1, 2.0, 1.0), (2, 1.2, 0.5), (7, 1.5, 0.6))),
        ((), ((1, 1.2, 0.8), (2, 1.2, 1.0), (4, 1.5, 1.0), (6, 0.8, 0.5), (7, 1.4, 1.0))),
        ((), ((4, 1.2, 0.9),)),
    ),
    "resurfacing": (
        (((1, 0.7, 0.4),), ((1, 1.8, 1.0), (2, 1.4, 0.8))),
        ((), ((1, 1.0, 0.7), (3, 0.8, 0.6))),
        ((), ((2, 1.0, 0.9), (3, 1.2, 1.0))),
    ),
}
_STABLE_WIDTH_MM, _STABLE_EXTENT = (0.5, 0.9), (0.3, 0.7)
#: Bone that is pressed aside becomes dense: the margin of the lines [mm].
_SCLEROSIS_MM = 0.4
#: The lateral end of the cup has no bone above it: lines of zone 1 begin here, as a part of the zone.
_COVERED_FROM = 0.2
#: The upper end of zone 7 lies above the cut of the neck: its lines end here.
_COVERED_TO = 0.5
#: (least, greatest) at twelve months; at six weeks there is nothing yet.
_SUBSIDENCE_MM, _NARROWING = (2.0, 6.0), (0.03, 0.12)


def hip_findings(hips: pd.DataFrame, visits: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """One row a finding.

    Parameters
    ----------
    hips, visits
        From `hips.hip_table` and `cohort.visit_table`.

    Returns
    -------
    DataFrame
        hip_id, visit_id, field (of `ImplantRecipe`), value. What is not listed is as on the day of the
        operation.
    """
    came = visits[visits["visit_id"].isin(VISITS)].groupby("patient_id")["visit_id"].nunique()
    seen = hips[hips["patient_id"].map(came).fillna(0).eq(len(VISITS))]
    short, surfaced = (seen[seen["arm"] == arm] for arm in ("short_stem", "resurfacing"))
    rows = [*_lines(short, surfaced, seed)]
    for field, of, count, limits in (
        ("subsidence_mm", short, N_SUBSIDED, _SUBSIDENCE_MM),
        ("neck_narrowing", surfaced, N_NARROWED, _NARROWING),
    ):
        stream = random_stream(seed, "findings", field)
        for hip_id in stream.choice(of["hip_id"].to_numpy(dtype=object), count, replace=False):
            rows.append((hip_id, "month_12", field, round(stream.uniform(*limits), 3)))
    stream = random_stream(seed, "findings", "ossification")
    for k, hip_id in enumerate(
        stream.choice(seen["hip_id"].to_numpy(dtype=object), N_OSSIFIED, replace=False)
    ):
        rows.append((hip_id, "month_12", "ossification", 1 + k % 3))
    table = pd.DataFrame(rows, columns=["hip_id", "visit_id", "field", "value"])
    return table.sort_values(["hip_id", "visit_id", "field"], ignore_index=True)


def recipe_changes(findings: pd.DataFrame, visit_id: str) -> dict[str, dict[str, Any]]:
    """Fields of `ImplantRecipe` that differ at a visit, by hip_id."""
    at = findings[findings["visit_id"] == visit_id]
    return {
        str(hip_id): dict(zip(rows["field"], rows["value"], strict=True))
        for hip_id, rows in at.groupby("hip_id")
    }


def true_lines(films: pd.DataFrame, hips: pd.DataFrame, findings: pd.DataFrame) -> pd.DataFrame:
    """The line of every zone about every implant on every film, as it was put in.

    Parameters
    ----------
    films
        Films after the operation: image_id, patient_id, visit_id.
    hips
        hip_id, patient_id, side, arm.
    findings
        From `hip_findings`.

    Returns
    -------
    DataFrame
        image_id, patient_id, visit_id, hip_id, side, zone_system, zone (text), width_mm, extent_percent;
        both 0 where there is no line.
    """
    at = findings[findings["field"] == "lines"]
    lines = dict(zip(zip(at["hip_id"], at["visit_id"], strict=True), at["value"], strict=True))
    rows = []
    whole = films.merge(hips[["hip_id", "patient_id", "side", "arm"]], on="patient_id")
    for film in whole.to_dict("records"):
        own = {
            (line.interface, line.zone): line for line in lines.get((film["hip_id"], film["visit_id"]), ())
        }
        place = [film[name] for name in ("image_id", "patient_id", "visit_id", "hip_id", "side")]
        for interface, kind in (("cup", "cup"), ("stem", film["arm"])):
            for zone in range(1, ZONES[kind] + 1):
                line = own.get((interface, zone))
                width, extent = (line.width_mm, 100 * line.extent) if line else (0.0, 0.0)
                rows.append((*place, ZONE_SYSTEM[kind], str(zone), width, round(extent, 1)))
    columns = ["image_id", "patient_id", "visit_id", "hip_id", "side", "zone_system", "zone"]
    return pd.DataFrame(rows, columns=[*columns, "width_mm", "extent_percent"])


def _lines(short: pd.DataFrame, surfaced: pd.DataFrame, seed: int) -> list[tuple[str, str, str, Any]]:
    """Lines that grow in half of the chosen hips of each design, and thin ones that stay as they are."""
    stream = random_stream(seed, "findings", "lines")
    rows: list[tuple[str, str, str, Any]] = []
    for design, hips in (("short_stem", short), ("resurfacing", surfaced)):
        ids = hips["hip_id"].to_numpy(dtype=object)
        chosen = stream.choice(ids, N_PROGRESSIVE // 2 + N_STABLE, replace=False)
        for k, hip_id in enumerate(chosen[: N_PROGRESSIVE // 2]):
            for n, visit in enumerate(VISITS):
                lines = [_line("cup", design, *line) for line in _CUP_COURSES[k][n]] if k < 2 else []
                lines += [_line("stem", design, *line) for line in _STEM_COURSES[design][k][n]]
                rows.append((hip_id, visit, "lines", tuple(lines)))
        for k, hip_id in enumerate(chosen[N_PROGRESSIVE // 2 :]):
            interface = "cup" if k % 2 else "stem"
            zone = int(stream.integers(1, ZONES["cup" if k % 2 else design] + 1))
            width, extent = stream.uniform(*_STABLE_WIDTH_MM), stream.uniform(*_STABLE_EXTENT)
            line = _line(interface, design, zone, round(width, 1), round(extent, 2))
            rows += [(hip_id, visit, "lines", (line,)) for visit in VISITS]
    return [row for row in rows if row[3]]


def _line(interface: str, design: str, zone: int, width_mm: float, extent: float) -> LucentLine:
    """A line that begins at the end of its zone where the joint fluid comes in."""
    count = ZONES["cup" if interface == "cup" else design]
    if interface == "cup" and zone == 1:
        start = _COVERED_FROM
        extent = min(extent, 1 - start)
    elif (design, interface, zone) == ("short_stem", "stem", 7):
        start, extent = 0.0, min(extent, _COVERED_TO)
    else:
        start = 1 - extent if zone > (count + 1) / 2 else 0.0
    return LucentLine(interface, zone, width_mm, extent, round(start, 3), _SCLEROSIS_MM)
