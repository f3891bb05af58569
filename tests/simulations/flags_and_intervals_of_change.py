"""Hips flagged without any change, and how often intervals of change hold the truth.

By hand: `make simulate`, or `python <this file> [repeats]`. The seed is 2024; the table that a run with the
default number of repeats gave lies beside this file.

Bone density in seven zones; three of ten patients have two hips, which are alike. The precision error is the
study's own: 30 hips scanned twice.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1] / "stats"))
from bone_rows import cohort_rows

from cohortlib.stats.change import change_from_baseline, flagged_hips, significant_changes
from cohortlib.stats.describe import group_means
from cohortlib.stats.longitudinal import last_visit_difference, visit_differences
from cohortlib.stats.precision import precision_error

SEED = 2024
KEPT = Path(__file__).with_suffix(".csv")
#: Standard deviation of one scan [g/cm2].
SD = 0.05


def unchanged_patients(repeats: int) -> list[dict[str, object]]:
    """Share of patients without any change who are flagged in some zone of some hip."""
    rng = np.random.default_rng(SEED)
    found: dict[tuple[str, bool], list[float]] = {}
    zones = [str(zone + 1) for zone in range(7)]
    for _ in range(repeats):
        for errors, shared in (("independent", 0.0), ("alike between zones", 0.7)):

            def scanned(hips: int, scans: int, shared: float = shared) -> pd.DataFrame:
                common = rng.normal(size=(hips, scans, 1)) * np.sqrt(shared)
                error = SD * (common + rng.normal(size=(hips, scans, 7)) * np.sqrt(1 - shared))
                value = rng.normal(1.4, 0.2, (hips, 1, 7)) + error
                hip, scan, zone = (index.ravel() for index in np.indices(value.shape))
                return pd.DataFrame(
                    {"hip_id": hip, "scan": scan, "zone": np.array(zones)[zone], "bmd": value.ravel()}
                )

            own = precision_error(scanned(30, 2), value="bmd", unit="hip_id", by=["zone"])
            visits = scanned(60, 2)
            visits = visits.assign(
                patient_id=visits["hip_id"],
                visit_id=visits["scan"].map({0: "week_1", 1: "month_12"}),
                days=visits["scan"] * 360 + 5,
                in_window=True,
            )
            change = change_from_baseline(visits, value="bmd", by=["zone"], baseline="week_1")
            for corrected in (False, True):
                flags = flagged_hips(significant_changes(change, own, corrected=corrected))
                share = float(((flags["n_loss"] + flags["n_gain"]) > 0).mean())
                found.setdefault((errors, corrected), []).append(share)
    return [
        {
            "what": "unchanged hips flagged in any of 7 zones",
            "setting": f"errors {errors}; {'corrected' if corrected else 'uncorrected'}",
            "percent": 100 * np.mean(shares),
            "standard_error": 100 * np.std(shares) / np.sqrt(len(shares)),
            "repeats": len(shares),
        }
        for (errors, corrected), shares in found.items()
    ]


def whole_patients(repeats: int) -> list[dict[str, object]]:
    """Share of patients without any change who are flagged at some visit: judged by visit, and as a whole."""
    rng = np.random.default_rng(SEED + 1)
    found: dict[str, list[float]] = {}
    for _ in range(repeats):
        owner = np.repeat(np.arange(60), 1 + (rng.random(60) < 0.3))
        bone = rng.normal(1.4, 0.2, (len(owner), 1, 7))
        value = bone + rng.normal(0, SD, (len(owner), 4, 7))
        hip, visit, zone = (index.ravel() for index in np.indices(value.shape))
        names = np.array(["week_1", "month_6", "month_12", "month_24"])
        scans = pd.DataFrame({"hip_id": hip, "patient_id": owner[hip], "visit_id": names[visit]}).assign(
            zone=zone.astype(str), bmd=value.ravel(), days=5 + 180 * visit, in_window=True
        )
        twice = bone[:30] + rng.normal(0, SD, (30, 2, 7))
        unit, _, place = (index.ravel() for index in np.indices(twice.shape))
        twice = pd.DataFrame({"hip_id": unit, "zone": place.astype(str), "bmd": twice.ravel()})
        own = precision_error(twice, value="bmd", unit="hip_id", by=["zone"])
        change = change_from_baseline(scans, value="bmd", by=["zone"], baseline="week_1")
        for name, together in (("each hip and visit", None), ("the patient together", ["patient_id"])):
            flags = significant_changes(change, own, together=together).dropna(subset="flag")
            alarms = flags["flag"].ne("").groupby(flags["patient_id"]).any()
            found.setdefault(name, []).append(float(alarms.mean()))
    return [
        {
            "what": "patients without change flagged at any of three visits",
            "setting": f"30 % with two hips, 7 zones; judged: {name}",
            "percent": 100 * np.mean(shares),
            "standard_error": 100 * np.std(shares) / np.sqrt(len(shares)),
            "repeats": len(shares),
        }
        for name, shares in found.items()
    ]


def covered_intervals(repeats: int) -> list[dict[str, object]]:
    """Share of cohorts whose 95 % interval holds the true change, or difference of arms."""
    rows = []
    for patients in (20, 40, 60):
        rng = np.random.default_rng(SEED + patients)
        held: dict[str, list[bool]] = {}
        for _ in range(repeats):
            scans = cohort_rows(rng, patients=patients, zones=1, sd=SD, visits=3)
            change = change_from_baseline(scans, value="bmd", by=["zone"], baseline="week_1")
            arms = scans.drop_duplicates("hip_id").set_index("hip_id")["arm"]
            change = change.assign(arm=change["hip_id"].map(arms))
            last = change[change["visit_id"] == "month_12"]
            means = group_means(last, value="change", by=["arm"], cluster="patient_id", unit="g/cm2")
            adjusted = last_visit_difference(change, visit_id="month_12", comparator="old", unit="g/cm2")
            mixed = visit_differences(change, comparator="old", unit="g/cm2").tail(1)
            for name, found in (
                ("mean change by arm, CR2", means),
                ("difference of arms, analysis of covariance, CR2", adjusted),
                ("difference of arms, mixed model, t", mixed),
            ):
                inside = (found["ci_low"] <= 0) & (found["ci_high"] >= 0)
                held.setdefault(name, []).extend(inside[found["ci_low"].notna()].tolist())
        rows += [
            {
                "what": f"95 % interval holds the truth: {name}",
                "setting": f"{patients} patients, 30 % with two hips",
                "percent": 100 * np.mean(inside),
                "standard_error": 100 * np.sqrt(np.mean(inside) * (1 - np.mean(inside)) / repeats),
                "repeats": repeats,
            }
            for name, inside in held.items()
        ]
    return rows


def main(repeats: int) -> None:
    """Print the table; keep it where the number of repeats is the default."""
    fewer = max(repeats // 5, 10)
    rows = unchanged_patients(fewer) + whole_patients(fewer) + covered_intervals(repeats)
    table = pd.DataFrame(rows).round(2)
    print(table.to_string(index=False))
    if repeats == DEFAULT:
        table.to_csv(KEPT, index=False)


DEFAULT = 1000
if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT)
