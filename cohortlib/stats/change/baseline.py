"""Change from the first post-operative examination, or the reason why there is none."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.change.calibration import calibrated
from cohortlib.stats.inputs import check_choice, check_columns, check_names, identifiers, numbers

#: Every row has one of these; only "compared" has a change.
STATUSES = (
    "baseline",
    "compared",
    "before baseline",
    "no baseline",
    "baseline outside window",
    "no value",
    "no day",
    "device changed",
)
_KEYS = ("hip_id", "visit_id")


def change_from_baseline(
    table: pd.DataFrame,
    *,
    value: str,
    by: Sequence[str],
    baseline: str,
    device: Sequence[str] = (),
    calibrations: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Each hip's examinations against its first one after the operation; what cannot be compared says why.

    Parameters
    ----------
    table
        Long: one row an examination of one thing measured, with hip_id, patient_id, visit_id, days (from the
        operation), in_window (whether it lies in the window of its visit) and the columns named here.
        Repeats of one visit are averaged and counted.
    value
        Column of the numbers.
    by
        Columns that keep what is measured apart, such as ["measured_side", "zone_system", "zone"].
    baseline
        visit_id of the first visit after the operation. Where the first examination of a hip is of a later
        visit, or lies outside the window of this one, the hip has no baseline: a late one would hide what
        happened before it.
    device
        Columns that say with what it was measured, such as ["scanner", "mode"]. Values of unlike devices
        are not compared.
    calibrations
        Of one device by another, from the study's definition: for each column of `device` two columns
        `from_…` and `to_…`, then slope, offset and source. Values of the first are turned into values of
        the second before anything is compared: slope · value + offset.

    Returns
    -------
    DataFrame
        One row a hip, visit and group of `by`, in the order of days: hip_id, patient_id, visit_id, the
        columns of `by` and those of `device`, days, in_window, value, n_scans, baseline_value,
        baseline_days, baseline_scans, change (in the unit of the value), percent (of the own baseline),
        days_from_baseline, status (one of `STATUSES`) and reason. change and percent are empty unless the
        status is "compared".

    Raises
    ------
    StudyError
        If a column is missing or not numeric, repeats of one visit are of unlike devices, no row is of the
        baseline visit, or a calibration is incomplete, without source, or stands twice.

    Notes
    -----
    percent = 100 (value − baseline) / baseline, of each hip; a mean of it is a mean of percentages, which is
    not the percentage of the means (−5.45 % against −4.76 % for 1.0 → 0.8 and 1.1 → 1.2). Percentages are
    for showing: test the value with its baseline as covariate.

    References
    ----------
    Vickers AJ. The use of percentage change from baseline as an outcome in a controlled trial is
    statistically inefficient: a simulation study. BMC Med Res Methodol 2001;1:6.
    """
    check_names("by", by)
    check_names("device", device)
    asked = [*_KEYS, "patient_id", "days", "in_window", value, *by, *device]
    check_columns(table, asked)
    rows = table.loc[:, list(dict.fromkeys(asked))].rename(columns={value: "value"})
    rows = rows.assign(value=numbers(table, value), days=numbers(table, "days"))
    for name in ("hip_id", "patient_id", "visit_id"):
        identifiers(rows, name)
    check_choice("baseline", baseline, sorted(rows["visit_id"].astype(str).unique()))
    rows = calibrated(rows, device=device, calibrations=calibrations)
    visits = _averaged(rows, by=by, device=device)
    return _compared(visits, by=by, baseline=baseline, device=device)


def _averaged(rows: pd.DataFrame, *, by: Sequence[str], device: Sequence[str]) -> pd.DataFrame:
    """One row a hip, visit and group: the mean of its repeats that have a value, and how many they are."""
    keys = [*_KEYS, "patient_id", *by]
    groups = rows.groupby(keys, sort=False, dropna=False)
    for name in device:
        mixed = groups[name].nunique(dropna=False) > 1
        if mixed.any():
            first = mixed.index[mixed][0]
            raise study_error(
                column=name,
                found="several in one visit: " + ", ".join(map(str, first)),
                count=int(mixed.sum()),
                expected="repeats of one visit by the same one",
                remedy="Correct the entry, give the cross-calibration, or leave one of the scans out by name",
            )
    found = groups.agg(
        value=("value", "mean"),
        n_scans=("value", "count"),
        days=("days", "mean"),
        in_window=("in_window", "first"),
        calibration=("calibration", "first"),
        **{name: (name, "first") for name in device},
    )
    return found.reset_index()


def _compared(
    visits: pd.DataFrame, *, by: Sequence[str], baseline: str, device: Sequence[str]
) -> pd.DataFrame:
    after = visits[(visits["days"] > 0) & visits["value"].notna()].sort_values("days", kind="stable")
    keys = ["hip_id", *by]
    first = after.drop_duplicates(keys)
    taken = first.rename(
        columns={name: f"baseline_{name}" for name in (*device, "visit_id", "days", "value")}
    )
    taken = taken.rename(columns={"n_scans": "baseline_scans", "in_window": "baseline_in_window"})
    kept = [*keys, "baseline_visit_id", "baseline_days", "baseline_value", "baseline_scans"]
    kept += ["baseline_in_window", *(f"baseline_{name}" for name in device)]
    joined = visits.merge(taken[kept], on=keys, how="left").sort_values([*keys, "days"], kind="stable")
    other = pd.Series(False, index=joined.index)
    for name in device:
        other |= joined[name].astype("str") != joined[f"baseline_{name}"].astype("str")
    nothing = joined["baseline_visit_id"].isna()
    late = (joined["baseline_visit_id"] != baseline).fillna(True).astype(bool)
    outside = ~joined["baseline_in_window"].fillna(False).astype(bool)
    tests = [
        (joined["value"].isna(), "no value", "the examination has no value here"),
        (joined["days"].isna(), "no day", "the day of the examination is not known"),
        (joined["days"] <= 0, "before baseline", "before the operation"),
        (nothing, "no baseline", "no examination after the operation"),
        (
            late,
            "no baseline",
            "first examination at " + joined["baseline_visit_id"].astype(object).fillna(""),
        ),
        (outside, "baseline outside window", "first examination " + _days(joined["baseline_days"])),
        (joined["visit_id"] == joined["baseline_visit_id"], "baseline", ""),
        (other, "device changed", _told(joined, device)),
    ]
    status = np.select([where for where, _, _ in tests], [named for _, named, _ in tests], "compared")
    reason = np.select(
        [where for where, _, _ in tests], [_texts(told, len(joined)) for *_, told in tests], ""
    )
    compared = status == "compared"
    change = (joined["value"] - joined["baseline_value"]).where(compared)
    usable = compared & (joined["baseline_value"] > 0).to_numpy()
    without = np.isin(status, ["no baseline", "baseline outside window"])
    result = joined.assign(
        status=status,
        reason=[
            "; ".join(part for part in pair if part)
            for pair in zip(reason, joined["calibration"], strict=True)
        ],
        change=change,
        percent=(100 * change / joined["baseline_value"]).where(usable),
        days_from_baseline=(joined["days"] - joined["baseline_days"]).where(compared),
        baseline_value=joined["baseline_value"].mask(without),
    )
    columns = ["hip_id", "patient_id", "visit_id", *by, *device, "days", "in_window", "value", "n_scans"]
    columns += ["baseline_value", "baseline_days", "baseline_scans", "change", "percent"]
    return result[[*columns, "days_from_baseline", "status", "reason"]].reset_index(drop=True)


def _days(days: pd.Series) -> pd.Series:
    return pd.Series([f"{day:.0f} days after the operation" for day in days], index=days.index)


def _told(joined: pd.DataFrame, device: Sequence[str]) -> list[str]:
    if not device:
        return [""] * len(joined)
    before = joined[[f"baseline_{name}" for name in device]].astype("str").agg(", ".join, axis=1)
    now = joined[list(device)].astype("str").agg(", ".join, axis=1)
    return [f"{first} → {then}" for first, then in zip(before, now, strict=True)]


def _texts(told: object, length: int) -> np.ndarray:
    return np.array([told] * length if isinstance(told, str) else list(told), dtype=object)  # type: ignore[call-overload]
