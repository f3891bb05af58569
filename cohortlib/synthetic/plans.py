"""Invented plans of the operations: what the surgeon had in mind before the hip came out as it did."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.synthetic.streams import random_stream, truncated_normal

#: What each surgeon aims at [deg]; the habits in `hips` are what comes out of it.
AIM_DEG = {"S1": (40, 15), "S2": (40, 15), "S3": (45, 20)}
#: Of the planned change of leg length and offset to the one that came out; planned in whole millimetres.
FEMORAL_SD_MM = 2.0
#: Cups planned one size smaller, as it came out, one size larger.
SIZE_SHARES = (0.15, 0.7, 0.15)


def plan_table(hips: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """One row a hip, in the order of `hips`.

    Parameters
    ----------
    hips
        From `hips.hip_table`.

    Returns
    -------
    DataFrame
        The columns of `plans` in the data dictionary but the size of the stem. Hips of one session are
        planned on one day. A resurfacing changes neither leg nor offset.
    """
    stream = random_stream(seed, "plans")
    patient = hips.groupby("patient_id", sort=False).ngroup().to_numpy()
    days_before = stream.integers(1, 11, size=len(hips))[patient]
    surgery = hips["surgery_date"].to_numpy().astype("datetime64[D]")
    steps_mm = stream.choice([-2, 0, 2], len(hips), p=SIZE_SHARES)
    cup = np.clip(hips["cup_diameter_mm"] + steps_mm, 48, 60)
    stemmed = hips["arm"].eq("short_stem")
    # A resurfacing cup goes with its head; the head of a stem follows from the size of the cup.
    head = hips["head_diameter_mm"] + (cup - hips["cup_diameter_mm"])
    changes = {}
    for column in ("leg_lengthening_mm", "offset_change_mm"):
        apart_mm = truncated_normal(random_stream(seed, "plans", column), 0.0, FEMORAL_SD_MM, size=len(hips))
        changes[column] = (hips[column] - apart_mm).round().where(stemmed, 0.0).astype(int)
    return pd.DataFrame(
        {
            "hip_id": hips["hip_id"],
            "planned_on": np.busday_offset(surgery, -days_before).astype("datetime64[us]"),
            "angle_definition": "radiographic",
            "planned_inclination_deg": hips["surgeon_id"].map(lambda surgeon: AIM_DEG[surgeon][0]),
            "planned_anteversion_deg": hips["surgeon_id"].map(lambda surgeon: AIM_DEG[surgeon][1]),
            "planned_cup_diameter_mm": cup,
            "planned_head_diameter_mm": head.mask(
                stemmed, pd.Series(np.where(cup >= 52, 36, 32), hips.index)
            ),
            "planned_leg_change_mm": changes["leg_lengthening_mm"],
            "planned_offset_change_mm": changes["offset_change_mm"],
        }
    )
