"""Zones of bone-density scans with whose hip they are, its arm, and days counted from its own operation."""

from __future__ import annotations

import pandas as pd

from cohortlib.study.timeline import looked_up
from cohortlib.tables import Study

SCAN_COLUMNS = (
    "hip_id",
    "patient_id",
    "side",
    "arm",
    "visit_id",
    "measured_side",
    "zone_system",
    "zone",
    "repeat",
    "bmd_g_cm2",
    "area_cm2",
    "scanner",
    "mode",
    "foot_rotation_deg",
    "scanned_on",
    "days",
    "in_window",
)


def density_scans(study: Study) -> pd.DataFrame:
    """Every zone of every scan, on the time line of the hip that it was made for.

    Parameters
    ----------
    study
        From `read_study`.

    Returns
    -------
    DataFrame
        One row a zone of a scan: the columns of `densitometry`, scanned_on (the day of the visit where the
        table names no other), patient_id, side and arm of the hip, days (from the operation of this hip,
        not from the first one of a patient with two) and in_window (whether these days lie in the window
        of the visit; missing where no day is known).
    """
    scans = study.densitometry
    hips = study.hips.set_index(study.hips["hip_id"].astype("str"))
    of_hip = {name: looked_up(scans["hip_id"], hips[name]) for name in ("patient_id", "side", "arm")}
    rows = scans.assign(**of_hip)
    visit_day = rows[["patient_id", "visit_id"]].merge(
        study.visits[["patient_id", "visit_id", "date"]], on=["patient_id", "visit_id"], how="left"
    )["date"]
    day = rows["scanned_on"].fillna(pd.Series(visit_day.to_numpy(), index=rows.index))
    days = (day - looked_up(scans["hip_id"], hips["surgery_date"])).dt.days.astype("Int64")
    windows = study.schedule.set_index("visit_id")
    earliest, latest = (
        looked_up(scans["visit_id"], windows[name]) for name in ("earliest_days", "latest_days")
    )
    inside = ((days >= earliest) & (days <= latest)).astype("boolean").mask(days.isna())
    return rows.assign(scanned_on=day, days=days, in_window=inside)[list(SCAN_COLUMNS)]
