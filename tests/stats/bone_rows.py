"""Rows of bone density for the tests of change: hips, visits and zones with what `density_scans` gives."""

from __future__ import annotations

import numpy as np
import pandas as pd

#: visit_id → days after the operation.
DAYS = {"week_1": 5, "month_6": 180, "month_12": 365, "month_24": 730}


def scan_rows(values, **columns):
    """Rows of one zone: one sequence a hip, a value a visit in the order of `DAYS`."""
    rows = [
        {
            "hip_id": f"H{hip}",
            "patient_id": f"P{hip}",
            "visit_id": visit,
            "zone": "7",
            "scanner": "A",
            "days": days,
            "in_window": True,
            "bmd": value,
        }
        for hip, of_hip in enumerate(values)
        for (visit, days), value in zip(DAYS.items(), of_hip, strict=False)
    ]
    return pd.DataFrame(rows).assign(**columns)


def cohort_rows(
    rng: np.random.Generator,
    *,
    patients: int,
    zones: int = 7,
    sd: float = 0.05,
    visits: int = 2,
    effect: float = 0.0,
):
    """Unchanged bone, scanned with error: 30 % of patients have two hips that are alike; two arms by patient.

    `effect` is what the new arm has more than the other at every visit after the first.
    """
    owner = np.repeat(np.arange(patients), 1 + (rng.random(patients) < 0.3))
    arm = np.where(np.arange(patients) % 2 == 0, "new", "old")[owner]
    hips = len(owner)
    like = rng.normal(size=(patients, zones))[owner]
    bone = 1.4 + 0.2 * (0.8 * like + 0.6 * rng.normal(size=(hips, zones)))
    true = 0.06 * (
        0.7 * rng.normal(size=(patients, 1, zones))[owner] + 0.7 * rng.normal(size=(hips, 1, zones))
    )
    own = np.concatenate([np.zeros((hips, 1, zones)), np.repeat(true, visits - 1, axis=1)], axis=1)
    own[:, 1:] += effect * (arm == "new")[:, None, None]
    shape = (hips, visits, zones)
    value = bone[:, None, :] + own + rng.normal(0, sd, shape)
    hip, visit, zone = (index.ravel() for index in np.indices(shape))
    names = list(DAYS)
    return pd.DataFrame(
        {
            "hip_id": [f"H{number}" for number in hip],
            "patient_id": [f"P{number}" for number in owner[hip]],
            "arm": arm[hip],
            "visit_id": [names[number] for number in visit],
            "zone": [str(number + 1) for number in zone],
            "days": [DAYS[names[number]] for number in visit],
            "in_window": True,
            "bmd": value.ravel(),
        }
    )
