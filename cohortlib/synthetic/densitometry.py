"""What the scanners say of the bone: repeats, rotated feet, a scanner replaced, scans that are missing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.synthetic.bone_density import NECK_PARTS, ZONES
from cohortlib.synthetic.streams import random_stream, truncated_normal

#: The visit of the first scan, for which nothing else is done: (mean, SD) of its day.
FIRST_VISIT, FIRST_DAY = "discharge", (5.0, 1.6)
VISITS = (FIRST_VISIT, "month_6", "month_12", "month_24")
#: Standard deviation of one scan, repositioned [g/cm2].
PRECISION = {
    "cup_3": {"1": 0.050, "2": 0.050, "3": 0.060},
    "stem_7": {"1": 0.040, "2": 0.035, "3": 0.035, "4": 0.030, "5": 0.035, "6": 0.040, "7": 0.055},
    "neck_6": {"1": 0.060, "2": 0.055, "3": 0.055, "4": 0.065, "5": 0.060, "6": 0.060},
}
N_DOUBLE = 32  # hips scanned twice at discharge
#: Feet: usual spread [deg]; the share of scans whose foot lay otherwise, its rotation, and its larger error.
FOOT_SD, TURNED_SHARE, TURNED_DEG, TURNED_FACTOR = 3.0, 0.07, 22.0, 2.2
#: The second centre's scanner was replaced; its successor reads slope · density + offset.
SCANNERS = {"S1": "DXA-1", "S2": "DXA-1", "S3": "DXA-2"}
SUCCESSOR, REPLACED_ON, SUCCESSOR_READS = "DXA-3", "2030-03-01", (1.04, 0.02)
MODE, WRONG_MODE, N_WRONG_MODE = "metal 2.1", "spine 2.1", 3
#: First scans that came too late: how many without any before 6 weeks, and how many on a late day.
N_LATE, N_OUTSIDE, OUTSIDE_DAY = 4, 2, 24
#: Who feels worse comes less often to be scanned: share missing at the best and at the worst scores.
MISSING_BEST, MISSING_WORST = 0.04, 0.30
#: The other hip of patients with one study hip, as a control; it loses a little with age [% a year].
OTHER_SYSTEM, AGEING = "stem_7", -0.7


def first_visits(patients: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """The visits before leaving hospital, at which nothing but the first scan is done.

    Parameters
    ----------
    patients
        From `cohort.patient_table`.

    Returns
    -------
    DataFrame
        patient_id, visit_id, date, day; without the patients whose first scan came at 6 weeks.
    """
    day = truncated_normal(random_stream(seed, "discharge day"), *FIRST_DAY, size=len(patients), reach=2)
    day = np.rint(day).astype(int)
    drawn = random_stream(seed, "first scan late").permutation(patients.index[patients["last_day"].isna()])
    day[drawn[N_LATE : N_LATE + N_OUTSIDE]] = OUTSIDE_DAY
    visits = pd.DataFrame({"patient_id": patients["patient_id"], "visit_id": FIRST_VISIT, "day": day})
    visits["date"] = patients["surgery_date"] + pd.to_timedelta(day, unit="D")
    return visits.drop(drawn[:N_LATE])[["patient_id", "visit_id", "date", "day"]]


def scan_visits(visits: pd.DataFrame, latent: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """The visits at which a patient was scanned.

    Parameters
    ----------
    visits
        All visits, those of `first_visits` with them.
    latent
        From `answers.latent_scores`: who feels worse is missing more often.

    Returns
    -------
    DataFrame
        The rows of `visits` with a scan.
    """
    at_first = set(visits.loc[visits["visit_id"] == FIRST_VISIT, "patient_id"])
    late = visits["visit_id"].eq("week_6") & ~visits["patient_id"].isin(at_first)
    asked = visits[visits["visit_id"].isin(VISITS) | late]
    score = asked.merge(latent, on=["patient_id", "visit_id"], how="left")["latent_score"].to_numpy()
    worst = np.clip((44 - np.nan_to_num(score, nan=44.0)) / 24, 0, 1)
    missing = MISSING_BEST + (MISSING_WORST - MISSING_BEST) * worst
    first = asked["visit_id"].isin([FIRST_VISIT, "week_6"]).to_numpy()
    drawn = random_stream(seed, "scan missing").random(len(asked))
    return asked[first | (drawn >= missing)]


def densitometry_table(
    density: pd.DataFrame, hips: pd.DataFrame, visits: pd.DataFrame, *, seed: int
) -> pd.DataFrame:
    """Every zone of every scan as the scanners reported it.

    Parameters
    ----------
    density
        From `bone_density.true_density`, at the visits of `scan_visits`.
    hips
        From `hips.hip_table`.
    visits
        patient_id, visit_id, date.

    Returns
    -------
    DataFrame
        The columns of the table densitometry.
    """
    scans = _scans(density, hips, visits, seed)
    operated = _read(density.merge(scans, on=["hip_id", "visit_id"]), seed)
    other = _read(_other_hips(density, hips, scans, seed), seed)
    both = pd.concat([operated, other], ignore_index=True)
    both["bmd_g_cm2"] = both["bmd_g_cm2"].round(3)
    both["area_cm2"] = both["area_cm2"].round(2)
    keys = ["hip_id", "visit_id", "measured_side", "repeat", "zone_system", "zone"]
    order = both["visit_id"].map(
        {name: place for place, name in enumerate((FIRST_VISIT, "week_6", *VISITS[1:]))}
    )
    both = both.assign(order=order).sort_values(
        ["hip_id", "order", "measured_side", "repeat", "zone_system", "zone"], ignore_index=True
    )
    columns = [*keys, "bmd_g_cm2", "area_cm2", "scanner", "mode", "foot_rotation_deg"]
    return both[columns]


def _scans(density: pd.DataFrame, hips: pd.DataFrame, visits: pd.DataFrame, seed: int) -> pd.DataFrame:
    """One row a scan of an operated hip: repeat, scanner, mode, foot, and the error of its foot."""
    scans = density[["hip_id", "patient_id", "visit_id"]].drop_duplicates()
    first = scans.loc[scans["visit_id"] == FIRST_VISIT, "hip_id"]
    double = random_stream(seed, "double scans").choice(sorted(first), N_DOUBLE, replace=False)
    again = scans[scans["hip_id"].isin(double) & scans["visit_id"].eq(FIRST_VISIT)]
    scans = pd.concat([scans.assign(repeat=1), again.assign(repeat=2)], ignore_index=True)
    scans = scans.merge(visits[["patient_id", "visit_id", "date"]], on=["patient_id", "visit_id"])
    scans = scans.merge(hips[["hip_id", "surgeon_id"]], on="hip_id")
    old = scans["surgeon_id"].map(SCANNERS)
    replaced = old.eq(SCANNERS["S3"]) & scans["date"].ge(pd.Timestamp(REPLACED_ON))
    stream = random_stream(seed, "foot")
    turned = stream.random(len(scans)) < TURNED_SHARE
    foot = FOOT_SD * stream.standard_normal(len(scans)) + np.where(turned, TURNED_DEG, 0)
    scans = scans.assign(
        scanner=old.mask(replaced, SUCCESSOR), mode=MODE, foot_rotation_deg=np.rint(foot).astype(int) + 0
    )
    later = scans.index[scans["visit_id"].eq("month_12")]
    scans.loc[random_stream(seed, "wrong mode").choice(later, N_WRONG_MODE, replace=False), "mode"] = (
        WRONG_MODE
    )
    return scans.assign(turned=turned, measured_side="operated").drop(columns=["patient_id", "surgeon_id"])


def _other_hips(density: pd.DataFrame, hips: pd.DataFrame, scans: pd.DataFrame, seed: int) -> pd.DataFrame:
    """The other hip of patients with one study hip, scanned at the same visits."""
    alone = hips.loc[hips["n_hips"].eq(1), "hip_id"]
    rows = density[density["zone_system"].eq(OTHER_SYSTEM) & density["hip_id"].isin(alone)]
    usual = {zone: fact.density for zone, fact in ZONES[OTHER_SYSTEM].items()}
    stream = random_stream(seed, "other hip")
    own = {hip: 1 + 0.06 * stream.standard_normal() for hip in sorted(alone)}
    bone = hips.set_index("hip_id")["bone_density"]
    start = rows["zone"].map(usual) * rows["hip_id"].map(bone) * rows["hip_id"].map(own)
    rows = rows.assign(density=start * (1 + AGEING / 100 * rows["day"] / 365.25))
    once = scans[scans["repeat"] == 1].assign(measured_side="other", mode=MODE, turned=False)
    return rows.merge(once, on=["hip_id", "visit_id"])


def _read(rows: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Density as read: the error of the scan, then what a successor of the scanner makes of it."""
    rows = rows.sort_values(["hip_id", "visit_id", "measured_side", "repeat", "zone_system", "zone"])
    side = str(rows["measured_side"].iloc[0])
    error = random_stream(seed, "scan error", side).standard_normal(len(rows))
    sd = [PRECISION[system][zone] for system, zone in zip(rows["zone_system"], rows["zone"], strict=True)]
    read = rows["density"] + np.array(sd) * np.where(rows["turned"], TURNED_FACTOR, 1.0) * error
    rows = rows.assign(bmd_g_cm2=read)
    rows = pd.concat([rows, *(_neck_of_fewer(rows, system) for system in NECK_PARTS)], ignore_index=True)
    slope, offset = SUCCESSOR_READS
    of_successor = rows["scanner"].eq(SUCCESSOR)
    seen = (slope * rows["bmd_g_cm2"] + offset).where(of_successor, rows["bmd_g_cm2"])
    area = 1 + 0.02 * random_stream(seed, "scan area", side).standard_normal(len(rows))
    return rows.assign(bmd_g_cm2=seen, area_cm2=rows["area_cm2"] * area)


def _neck_of_fewer(rows: pd.DataFrame, system: str) -> pd.DataFrame:
    """Zones of a neck of one or two regions: mineral over area of those of six that each holds."""
    six = rows[rows["zone_system"] == "neck_6"]
    whole = {part: zone for zone, parts in NECK_PARTS[system].items() for part in parts}
    six = six.assign(
        zone=six["zone"].map(whole), mineral=six["bmd_g_cm2"] * six["area_cm2"], zone_system=system
    )
    keys = ["hip_id", "visit_id", "measured_side", "repeat", "zone_system", "zone"]
    kept = ["scanner", "mode", "foot_rotation_deg"]
    sums = six.groupby([*keys, *kept], sort=False)[["mineral", "area_cm2"]].sum().reset_index()
    return sums.assign(bmd_g_cm2=sums["mineral"] / sums["area_cm2"]).drop(columns="mineral")
