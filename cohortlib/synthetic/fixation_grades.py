"""Simulated grades of how cups and short stems are fixed: what the readers of the zones say of them.

Only lines and sinking stems are drawn on the films. The other signs are known to the readers alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from cohortlib.synthetic.streams import random_stream
from cohortlib.tables.grading_scales import GRADING_SCALES, WHOLE

CUP, STEM = "cup_3", "stem_7"
DEMARCATION, FIXATION, STABILITY = "cup_demarcation", "stem_fixation", "stem_stability"
#: Zones of the invented short stem with a porous coat and with a smooth surface.
POROUS, SMOOTH = ("1", "2", "6", "7"), ("3", "4", "5")
NOT_ASSESSABLE = "not assessable"
#: Share of short stems with each sign at twelve months; at six weeks there is none (no source).
BRIDGES, PEDESTAL, ATROPHY = 0.85, 0.10, 0.60
#: Zones of a stem with a line from which its interface deteriorates.
DETERIORATES_FROM = 3
#: From which sinking a stem has migrated, from which a reader says so, and his error of it [mm].
MIGRATED_FROM_MM, SAID_FROM_MM, MIGRATION_SD_MM = 2.0, 3.0, {"R1": 1.0, "R2": 1.5}
#: Chance that a reader is not sure of a sign, and that he says the other thing.
UNSURE, OTHER = {"R1": 0.05, "R2": 0.08}, {"R1": 0.02, "R2": 0.04}
_LATE = "month_12"
_SURE = ("absent", "present")


def true_grades(lines: pd.DataFrame, subsidence: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """What a reader without error would say: one row a hip on a film, scale and part.

    Parameters
    ----------
    lines
        From `findings.true_lines`.
    subsidence
        image_id, side, value: how far each stem has sunk [mm].
    seed
        Of the study.

    Returns
    -------
    DataFrame
        image_id, side, scale, part, grade (text).
    """
    sunk = subsidence.set_index(["image_id", "side"])["value"].to_dict()
    rows = []
    for (image_id, side), zones in lines.groupby(["image_id", "side"], sort=False):
        first = zones.iloc[0]
        state = {
            (system, zone): "complete" if width > 0 else "none"
            for system, zone, width in zip(
                zones["zone_system"], zones["zone"], zones["width_mm"], strict=True
            )
        }
        grades = {(DEMARCATION, WHOLE): demarcation(state)}
        if (STEM, "1") in state:
            late = first["visit_id"] == _LATE
            grades |= _of_stem(state, str(first["hip_id"]), sunk[image_id, side], late=late, seed=seed)
        rows += [(image_id, side, *key, grade) for key, grade in grades.items()]
    return pd.DataFrame(rows, columns=["image_id", "side", "scale", "part", "grade"])


def demarcation(state: dict[tuple[str, str], str]) -> str:
    """Grade of the line about a cup: how many zones it runs through without a gap, from the lateral rim."""
    for zone, grade in (("1", "0"), ("2", "1"), ("3", "2")):
        if state[CUP, zone] == NOT_ASSESSABLE:
            return NOT_ASSESSABLE
        if state[CUP, zone] == "none":
            return grade
    return "3"


def _of_stem(
    state: dict[tuple[str, str], str], hip_id: str, sunk_mm: float, *, late: bool, seed: int
) -> dict[tuple[str, str], str]:
    bridges, pedestal, atrophy = random_stream(seed, "signs of a stem", hip_id).random(3)
    porous, smooth = (_lines(state, zones) for zones in (POROUS, SMOOTH))
    lined = sum(state[STEM, zone] != "none" for zone in (*POROUS, *SMOOTH))
    return {
        (FIXATION, "lines at the porous part"): porous,
        (FIXATION, "bridges of bone"): _SURE[int(late and porous == "absent" and bridges < BRIDGES)],
        (STABILITY, "lines at the smooth part"): smooth,
        (STABILITY, "pedestal"): _SURE[int(late and pedestal < PEDESTAL)],
        (STABILITY, "calcar"): "atrophied" if late and atrophy < ATROPHY else "uncertain",
        (STABILITY, "deterioration of the interface"): _SURE[int(lined >= DETERIORATES_FROM)],
        (STABILITY, "migration"): _SURE[int(sunk_mm >= MIGRATED_FROM_MM)],
        (STABILITY, "shed particles"): "absent",
    }


def fixation_table(
    gradings: pd.DataFrame, true: pd.DataFrame, subsidence: pd.DataFrame, *, seed: int
) -> pd.DataFrame:
    """One row a hip and part in each reading of the zones.

    Parameters
    ----------
    gradings
        From `gradings.grading_table`: a reader's lines are those of his own zones.
    true
        From `true_grades`.
    subsidence
        As there.
    seed
        Of the study.

    Returns
    -------
    DataFrame
        image_id, reader_id, repeat, side, scale, part, grade (text), marked_at (UTC): after new bone.
    """
    read = gradings.groupby(["image_id", "reader_id", "repeat"])["marked_at"].max().to_dict()
    put_in = dict(list(true.groupby(["image_id", "side"], sort=False)))
    sunk = subsidence.set_index(["image_id", "side"])["value"].to_dict()
    rows: list[dict[str, Any]] = []
    for ids, zones in gradings.groupby(["image_id", "reader_id", "repeat", "side"], sort=False):
        image_id, reader, repeat, side = ids
        state = dict(zip(zip(zones["zone_system"], zones["zone"], strict=True), zones["state"], strict=True))
        stream = random_stream(seed, "fixation", str(image_id), str(reader), str(repeat), str(side))
        after = 9 if side == "right" else 40
        said = _said(put_in[image_id, side], state, sunk[image_id, side], str(reader), stream)
        for k, (scale, part, grade) in enumerate(said):
            at = read[image_id, reader, repeat] + pd.Timedelta(seconds=after + 3 * k)
            hip = {"image_id": image_id, "reader_id": reader, "repeat": repeat, "side": side}
            rows.append({**hip, "scale": scale, "part": part, "grade": grade, "marked_at": at})
    return pd.DataFrame(rows)


def _said(
    true: pd.DataFrame, state: dict[tuple[str, str], str], sunk_mm: float, reader: str, stream: Any
) -> Iterator[tuple[str, str, str]]:
    """Scale, part and grade as one reader gives them; three numbers are drawn a part, used or not."""
    for scale, part, grade in zip(true["scale"], true["part"], true["grade"], strict=True):
        unsure, other, off = stream.random(), stream.random(), stream.normal()
        if scale == DEMARCATION:
            yield scale, part, demarcation(state)
        elif part.startswith("lines"):
            yield scale, part, _lines(state, POROUS if scale == FIXATION else SMOOTH)
        elif part == "migration":
            yield scale, part, _SURE[int(sunk_mm + MIGRATION_SD_MM[reader] * off >= SAID_FROM_MM)]
        elif unsure < UNSURE[reader] or grade == "uncertain":
            yield scale, part, "uncertain"
        elif other < OTHER[reader] and grade in _SURE and part != "shed particles":
            yield scale, part, _SURE[int(grade == "absent")]
        else:
            yield scale, part, grade


def _lines(state: dict[tuple[str, str], str], zones: tuple[str, ...]) -> str:
    """Whether any of the zones of a stem has a line."""
    found = {state[STEM, zone] for zone in zones}
    if found & {"incomplete", "complete"}:
        return "present"
    return NOT_ASSESSABLE if NOT_ASSESSABLE in found else "absent"


def true_scores(true: pd.DataFrame) -> pd.DataFrame:
    """The true grade of a cup and the true points of a stem, as rows of the truth.

    Returns
    -------
    DataFrame
        image_id, side, quantity, value, unit.
    """
    points = [
        GRADING_SCALES[scale].parts[part][grade]
        for scale, part, grade in zip(true["scale"], true["part"], true["grade"], strict=True)
    ]
    sums = true.assign(value=points).groupby(["image_id", "side", "scale"], sort=False)["value"].sum()
    names = {DEMARCATION: DEMARCATION, FIXATION: "stem_fixation_score", STABILITY: "stem_stability_score"}
    table = sums.reset_index()
    return table.assign(quantity=table["scale"].map(names), unit="1").drop(columns="scale")
