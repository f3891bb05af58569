"""Values of one device turned into those of another, where the study has measured both."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.stats.inputs import check_columns, check_unique, numbers


def calibrated(
    rows: pd.DataFrame, *, device: Sequence[str], calibrations: pd.DataFrame | None
) -> pd.DataFrame:
    """The rows with values of calibrated devices converted, and `calibration`: how, or "".

    Parameters
    ----------
    rows
        With `value` and the columns of `device`.
    device
        Columns that say with what it was measured.
    calibrations
        As `change_from_baseline` takes them.

    Returns
    -------
    DataFrame
        The same rows: value and the columns of `device` are those of the device they were turned into.

    Raises
    ------
    StudyError
        If a calibration is incomplete, has no source, stands twice, or leads to a device that is itself
        calibrated.
    """
    if calibrations is None or calibrations.empty:
        return rows.assign(calibration="")
    if not device:
        raise study_error(
            column="calibrations",
            found="a calibration without a device",
            expected="the columns that name the devices",
            remedy='Name them, such as device=["scanner", "mode"]',
        )
    before, after = [f"from_{name}" for name in device], [f"to_{name}" for name in device]
    check_columns(calibrations, [*before, *after, "slope", "offset", "source"])
    check_unique(calibrations, before, remedy="Keep one calibration of each device")
    _check_rows(calibrations, before, after)
    known = calibrations.assign(
        slope=numbers(calibrations, "slope"), offset=numbers(calibrations, "offset")
    ).rename(columns=dict(zip(before, device, strict=True)))
    found = rows[list(device)].merge(known, on=list(device), how="left")
    found.index = rows.index
    converted = found["slope"].notna()
    changed = {name: found[f"to_{name}"].where(converted, rows[name]) for name in device}
    told = "calibrated (" + found["source"].astype(object) + ")"
    return rows.assign(
        value=(found["slope"] * rows["value"] + found["offset"]).where(converted, rows["value"]),
        calibration=np.where(converted, told, ""),
        **changed,
    )


def _check_rows(calibrations: pd.DataFrame, before: list[str], after: list[str]) -> None:
    problems = []
    reached = {tuple(row) for row in calibrations[after].to_numpy()}
    for place, row in enumerate(calibrations.to_dict("records"), start=1):
        named = " → ".join(", ".join(str(row[name]) for name in names) for names in (before, after))
        if not str(row["source"] if pd.notna(row["source"]) else "").strip():
            problems.append(
                ("source", f"calibration {place} without a source: {named}", "Say who measured it")
            )
        if not (row["slope"] > 0 and np.isfinite(row["slope"]) and np.isfinite(row["offset"])):
            found = f"calibration {place} with slope {row['slope']} and offset {row['offset']}"
            problems.append(("slope, offset", found, "Give both numbers: value · slope + offset"))
        if tuple(row[name] for name in before) in reached:
            found = f"calibration {place}, of a device that another one leads to: {named}"
            problems.append(("from, to", found, "Calibrate every device to the same one"))
    if problems:
        raise StudyError(
            problem(
                column=column,
                found=found,
                expected="one step from each device to the one they are compared on, with its source",
                remedy=remedy,
            )
            for column, found, remedy in problems
        )
