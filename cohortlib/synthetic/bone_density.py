"""What the bone round an implant truly does: density by zone at each visit, without any error of scanning.

Early loss, then partly recovery; much of it where a stem carries the load past the bone, little of it in the
neck below a resurfacing. Sizes of the changes follow published series only roughly (from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from cohortlib.synthetic.streams import random_stream, truncated_normal

#: Days in which most of the loss, and of the recovery, is there.
LOSS_DAYS, RECOVERY_DAYS, LASTING_DAYS = 75.0, 260.0, 300.0
#: Standard deviation of what one patient, and one hip, loses more or less than the mean [%].
PATIENT_SD, HIP_SD = 2.0, 1.5
#: Hips that lose bone and do not stop: how many in each arm, how much [%] and in which zones.
TRUE_LOSS: dict[str, tuple[int, float, dict[str, tuple[str, ...]]]] = {
    "short_stem": (3, 38.0, {"stem_7": ("1", "6", "7")}),
    "resurfacing": (1, 32.0, {"neck_6": ("4", "5", "6")}),
}
#: The zones of a neck of fewer regions: the zones of six that each holds.
NECK_PARTS: dict[str, dict[str, tuple[str, ...]]] = {
    "neck_1": {"1": ("1", "2", "3", "4", "5", "6")},
    "neck_2": {"1": ("1", "2", "3"), "2": ("4", "5", "6")},
}


class Zone(NamedTuple):
    """One zone: usual density [g/cm2], area [cm2], loss and recovery [%] by arm."""

    density: float
    area: float
    loss: dict[str, float]
    recovery: dict[str, float]


def _zone(density: float, area: float, resurfacing: tuple[float, float], stem: tuple[float, float]) -> Zone:
    loss = {"resurfacing": resurfacing[0], "short_stem": stem[0]}
    return Zone(density, area, loss, {"resurfacing": resurfacing[1], "short_stem": stem[1]})


_NONE = (0.0, 0.0)
ZONES = {
    "cup_3": {
        "1": _zone(1.35, 4.0, (5, 3), (5, 3)),
        "2": _zone(1.25, 4.5, (9, 3), (8, 3)),
        "3": _zone(1.10, 3.5, (6, 2), (6, 2)),
    },
    # Of a resurfaced hip the same zones, laid down with the template of the other design.
    "stem_7": {
        "1": _zone(0.80, 7.0, (3, 3), (12, 5)),
        "2": _zone(1.45, 5.5, (1, 1), (6, 4)),
        "3": _zone(1.75, 5.0, (1, 1), (4, 3)),
        "4": _zone(1.80, 6.0, (0, 0), (2, 1)),
        "5": _zone(1.75, 5.0, (1, 1), (4, 3)),
        "6": _zone(1.50, 5.0, (1, 1), (9, 4)),
        "7": _zone(1.15, 4.0, (3, 4), (21, 5)),
    },
    "neck_6": {
        "1": _zone(0.85, 1.2, (4, 5), _NONE),
        "2": _zone(0.90, 1.2, (4, 5), _NONE),
        "3": _zone(0.95, 1.2, (3, 4), _NONE),
        "4": _zone(1.15, 1.2, (5, 6), _NONE),
        "5": _zone(1.25, 1.2, (4, 5), _NONE),
        "6": _zone(1.30, 1.2, (3, 4), _NONE),
    },
}
#: Zone systems of each arm.
SYSTEMS = {"resurfacing": ("cup_3", "stem_7", "neck_6"), "short_stem": ("cup_3", "stem_7")}


def mean_change_percent(zone_system: str, zone: str, arm: str, day: float) -> float:
    """The mean change of a zone since the operation [%], without the hips of `TRUE_LOSS`.

    Parameters
    ----------
    zone_system, zone, arm
        As in `ZONES`.
    day
        Since the operation [d].
    """
    fact = ZONES[zone_system][zone]
    fallen = fact.loss[arm] * (1 - np.exp(-day / LOSS_DAYS))
    return float(fact.recovery[arm] * (1 - np.exp(-day / RECOVERY_DAYS)) - fallen)


def true_density(hips: pd.DataFrame, visits: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """The true density of every zone of every hip at the visits.

    Parameters
    ----------
    hips
        From `hips.hip_table`.
    visits
        patient_id, visit_id, day [d from operation, 1 or more].

    Returns
    -------
    DataFrame
        hip_id, patient_id, arm, visit_id, day, zone_system, zone, area_cm2, density (g/cm2),
        percent (change since the operation), true_loss (whether the hip is one of `TRUE_LOSS`).
    """
    lost = _losing_hips(hips, seed)
    patients = sorted(hips["patient_id"].unique())
    own_of_patient = dict(
        zip(
            patients,
            truncated_normal(
                random_stream(seed, "bone change", "patient"), 0, PATIENT_SD, size=len(patients)
            ),
            strict=True,
        )
    )
    own_of_hip = truncated_normal(random_stream(seed, "bone change", "hip"), 0, HIP_SD, size=len(hips))
    days: dict[str, list[tuple[str, float]]] = {}
    for patient, visit, day in zip(visits["patient_id"], visits["visit_id"], visits["day"], strict=True):
        days.setdefault(patient, []).append((visit, float(day)))
    rows = []
    bone_quality = hips["bone_density"].to_numpy(dtype=float)
    for place, hip in enumerate(hips.itertuples()):
        stream = random_stream(seed, "bone", str(hip.hip_id))
        own = own_of_patient[hip.patient_id] + own_of_hip[place]
        further, where = lost.get(str(hip.hip_id), (0.0, {}))
        for system in SYSTEMS[str(hip.arm)]:
            for zone, fact in ZONES[system].items():
                start = fact.density * bone_quality[place] * (1 + 0.06 * stream.standard_normal())
                for visit, day in days.get(str(hip.patient_id), []):
                    percent = mean_change_percent(system, zone, str(hip.arm), day)
                    percent += own * (1 - np.exp(-day / LOSS_DAYS))
                    if zone in where.get(system, ()):
                        percent -= further * (1 - np.exp(-day / LASTING_DAYS))
                    rows.append(
                        {
                            "hip_id": hip.hip_id,
                            "patient_id": hip.patient_id,
                            "arm": hip.arm,
                            "visit_id": visit,
                            "day": day,
                            "zone_system": system,
                            "zone": zone,
                            "area_cm2": fact.area,
                            "density": start * (1 + percent / 100),
                            "percent": percent,
                            "true_loss": bool(further),
                        }
                    )
    return pd.DataFrame(rows)


def _losing_hips(hips: pd.DataFrame, seed: int) -> dict[str, tuple[float, dict[str, tuple[str, ...]]]]:
    """hip_id → further loss [%] and where, of hips operated early enough to be seen for a year."""
    early = hips[hips["surgery_date"] < hips["surgery_date"].quantile(0.6)]
    early = early[early["n_hips"].eq(1) & early["last_day"].isna()]
    found = {}
    for arm, (count, percent, where) in TRUE_LOSS.items():
        members = early.index[early["arm"] == arm]
        for row in random_stream(seed, "true bone loss", arm).choice(members, count, replace=False):
            found[str(hips.loc[row, "hip_id"])] = (percent, where)
    return found
