"""Who loses bone, asked of somebody who knows how the generator makes it: no method can rank better.

The oracle knows the true mean course of every zone, how much hips and patients differ, every error of
scanning (a turned foot's too), and the zones, course and size of the loss that it looks for. Approximate: it
takes the first value as read for the true one, and the changes as normal.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.synthetic import bone_density, densitometry


def log_likelihood_ratios(changes: pd.DataFrame) -> pd.Series:
    """How much likelier each hip's changes are with the loss than without: hip_id → log, greatest first."""
    rows = changes[(changes["status"] == "compared") & changes["zone_system"].isin(bone_density.ZONES)]
    found = {hip: _ratio(of_hip) for hip, of_hip in rows.groupby("hip_id")}
    return pd.Series(found, dtype=float).sort_values(ascending=False)


def _ratio(rows: pd.DataFrame) -> float:
    arm = rows["arm"].iloc[0]
    _, size, where = bone_density.TRUE_LOSS[arm]
    day, first = rows["days"].to_numpy(dtype=float), rows["baseline_days"].to_numpy(dtype=float)
    zones = list(zip(rows["zone_system"], rows["zone"], strict=True))
    mean = np.array(
        [
            100
            * (
                (100 + bone_density.mean_change_percent(*zone, arm, now))
                / (100 + bone_density.mean_change_percent(*zone, arm, then))
                - 1
            )
            for zone, now, then in zip(zones, day, first, strict=True)
        ]
    )
    hit = np.array([zone in where.get(system, ()) for system, zone in zones])
    lasting = np.exp(-first / bone_density.LASTING_DAYS) - np.exp(-day / bone_density.LASTING_DAYS)
    loss = np.where(hit, -size * lasting, 0.0)
    early = np.exp(-first / bone_density.LOSS_DAYS) - np.exp(-day / bone_density.LOSS_DAYS)
    sd = np.array([densitometry.PRECISION[system][zone] for system, zone in zones])
    sd = 100 * sd / rows["baseline_value"].to_numpy(dtype=float)
    told = rows["technique"].str
    now_sd = sd * np.where(told.startswith("foot"), densitometry.TURNED_FACTOR, 1.0) / rows["n_scans"] ** 0.5
    first_sd = sd * np.where(told.contains("first"), densitometry.TURNED_FACTOR, 1.0)
    first_sd = first_sd / rows["baseline_scans"].to_numpy() ** 0.5
    number = pd.factorize(pd.Series(zones))[0]
    same = number[:, None] == number[None, :]
    between = bone_density.PATIENT_SD**2 + bone_density.HIP_SD**2
    spread = between * np.outer(early, early) + np.diag(now_sd**2) + same * np.outer(first_sd, first_sd)
    weight = np.linalg.solve(spread, loss)
    return float(weight @ (rows["percent"].to_numpy(dtype=float) - mean - loss / 2))
