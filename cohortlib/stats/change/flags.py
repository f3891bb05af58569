"""Changes beyond the precision error, zone by zone, corrected for how many zones were looked at."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_columns, check_names, check_unique, numbers, sentence_of
from cohortlib.stats.precision.error import BORROWED

#: Flag of a change beyond its limit where the examination was made otherwise than it should.
AGAIN = "examine again"


def significant_changes(
    changes: pd.DataFrame,
    precision_error: pd.DataFrame,
    *,
    zone: str = "zone",
    confidence: float = 0.95,
    corrected: bool = True,
    together: Sequence[str] | None = None,
    technique: str | None = None,
) -> pd.DataFrame:
    """Which changes of single hips are more than measuring again, over all zones that were looked at.

    Parameters
    ----------
    changes
        From `change_from_baseline`.
    precision_error
        One row a zone, or a row for all; the columns that it shares with `changes` (except the numbers) say
        which belongs to which.
    zone
        Column of `changes` that names the zones.
    confidence
        Two-sided, for all rows judged together where `corrected`, else for each zone.
    corrected
        True: the chance that anything is flagged among rows judged together, none of which has changed, is at
        most 1 − confidence. False: in each zone, which flags about 30 % of unchanged hips somewhere among
        seven zones; for showing that.
    together
        Columns whose equal values make the rows that are judged together. None: one hip at one visit, each
        side and zone system on its own. So it is 5 % a hip, visit and zone system, not 5 % a patient: one
        with two hips, or one seen three times, has more chances to be flagged for nothing. ["patient_id"]
        takes all hips, visits and zones of a patient together; the limits are wider then.
    technique
        Column of `changes` that says how an examination was made otherwise than it should ("" where it was
        not), such as a turned foot. What goes beyond its limit there is "examine again", no loss or gain.

    Returns
    -------
    DataFrame
        `changes` with rms_sd, n_zones (rows that have a change and are judged together), limit (smallest
        change that is flagged), flag ("loss", "gain", "examine again", "", or missing where there is no
        change or no precision),
        times_limit (change over limit), origin (of the precision error) and precision_note.

    Raises
    ------
    StudyError
        If a column is missing, or a row of `changes` finds several precision errors.

    Notes
    -----
    limit = t · rms_sd · √(1/k + 1/k₀) with k and k₀ examinations averaged now and at baseline, and t the
    quantile of Student's distribution with the precision error's degrees of freedom: it is an estimate too
    (where df is unknown, the normal quantile). Corrected after Šidák: each of m zones at confidence^(1/m).
    That is exact for independent zones and a little strict for zones that vary together, as visits do that
    share a baseline. The quantile allows for the precision error's own uncertainty on average over studies:
    in a study whose estimate is too small, all limits are. Values that a calibration converted keep the
    precision error of those that were not: it is not multiplied by the slope, nor is the calibration's own
    error added.

    References
    ----------
    Šidák Z. Rectangular confidence regions for the means of multivariate normal distributions. J Am Stat
    Assoc 1967;62:626-33.
    """
    if not 0 < confidence < 1:
        raise study_error(
            column="confidence",
            found=confidence,
            expected="a number between 0 and 1",
            remedy="Write 0.95 for 95 %",
        )
    needed = ["hip_id", "visit_id", zone, "change", "n_scans", "baseline_scans"]
    needed += [] if technique is None else [technique]
    if together is None:
        apart = ("measured_side", "zone_system")
        families = ["hip_id", "visit_id", *(name for name in apart if name in changes and name != zone)]
    else:
        check_names("together", together)
        families = list(together)
        if not families:
            raise study_error(
                column="together",
                found="no column",
                expected='columns of the rows judged together, such as ["patient_id"]',
                remedy="Name them, or leave the option out",
            )
    check_columns(changes, [*needed, *families])
    check_columns(precision_error, ["rms_sd", "df", "origin"])
    rows = with_precision(changes, precision_error)
    valued = rows["change"].notna() & rows["rms_sd"].notna()
    n_zones = valued.groupby([rows[name] for name in families]).transform("sum")
    each = confidence ** (1 / n_zones.clip(lower=1)) if corrected else pd.Series(confidence, rows.index)
    df = rows["df"].fillna(np.inf).to_numpy(dtype=float)
    quantile = stats.t.ppf((1 + each.to_numpy(dtype=float)) / 2, df)
    spread = rows["rms_sd"] * np.sqrt(1 / rows["n_scans"] + 1 / rows["baseline_scans"])
    limit = (quantile * spread).where(valued)
    beyond = np.select([rows["change"] >= limit, rows["change"] <= -limit], ["gain", "loss"], "")
    if technique is not None:
        otherwise = rows[technique].fillna("").astype("str").ne("").to_numpy()
        beyond = np.where(otherwise & (beyond != ""), AGAIN, beyond)
    note = np.where(rows["origin"] == BORROWED, BORROWED + ": " + rows["source"].astype(object), "")
    return rows.drop(columns=["df", "source"]).assign(
        n_zones=n_zones,
        limit=limit,
        flag=pd.Series(beyond, rows.index, dtype="str").where(valued),
        times_limit=rows["change"] / limit,
        precision_note=note,
    )


def flagged_hips(flags: pd.DataFrame, *, by: Sequence[str] = ("hip_id", "visit_id")) -> pd.DataFrame:
    """Hips with a change in any zone, the greatest loss against its limit first.

    Parameters
    ----------
    flags
        From `significant_changes`.
    by
        What a row stands for.

    Returns
    -------
    DataFrame
        One row a hip and visit that has a change, flagged or not: the columns of `by`, n_zones (that have a
        change), n_loss, n_gain, n_again, worst_zone, worst_change, worst_times_limit (−1: a loss at the
        limit; of the zones that are not to be examined again, where there are any), zones (those flagged, as
        text) and precision_note. Zones are named with their system where the rows are of several. A row is a
        reason to look at the hip and its images, never a diagnosis.

    Raises
    ------
    StudyError
        If a column is missing, or the rows are of both sides and `by` does not tell them apart.
    """
    check_names("by", by)
    check_columns(flags, [*by, "zone", "change", "times_limit", "flag", "precision_note"])
    if "measured_side" in flags and "measured_side" not in by and flags["measured_side"].nunique() > 1:
        raise study_error(
            column="measured_side",
            found=", ".join(map(str, flags["measured_side"].unique())),
            expected="rows of one side, or measured_side named in by",
            remedy="Keep one side: a loss of the other hip is no loss of this one",
        )
    rows = []
    if "zone_system" in flags and flags["zone_system"].nunique() > 1:
        flags = flags.assign(zone=flags["zone_system"].astype("str") + " " + flags["zone"].astype("str"))
    for labels, group in flags[flags["flag"].notna()].groupby(list(by), sort=False):
        sound = group[group["flag"] != AGAIN]
        worst = (sound if len(sound) else group).sort_values("times_limit", kind="stable").iloc[0]
        flagged = group[group["flag"] != ""]
        rows.append(
            {
                **dict(zip(by, labels, strict=True)),
                "n_zones": len(group),
                "n_loss": int((group["flag"] == "loss").sum()),
                "n_gain": int((group["flag"] == "gain").sum()),
                "n_again": int((group["flag"] == AGAIN).sum()),
                "worst_zone": worst["zone"],
                "worst_change": worst["change"],
                "worst_times_limit": worst["times_limit"],
                "zones": ", ".join(f"{row.zone} ({row.flag})" for row in flagged.itertuples()),
                "precision_note": sentence_of(*dict.fromkeys(group["precision_note"])),
            }
        )
    columns = [
        *by,
        "n_zones",
        "n_loss",
        "n_gain",
        "n_again",
        "worst_zone",
        "worst_change",
        "worst_times_limit",
    ]
    found = pd.DataFrame(rows, columns=[*columns, "zones", "precision_note"])
    return found.sort_values("worst_times_limit", kind="stable").reset_index(drop=True)


def with_precision(changes: pd.DataFrame, precision_error: pd.DataFrame) -> pd.DataFrame:
    """The changes with rms_sd, df, origin and source of the precision error that belongs to each row."""
    kept = ["rms_sd", "df", "origin", "source"]
    precision = precision_error if "source" in precision_error else precision_error.assign(source="")
    labels = [name for name in precision.columns if name in changes.columns and name not in (*kept, "note")]
    everywhere = [name for name in labels if (precision[name].astype(object) == "all").all()]
    on = [name for name in labels if name not in everywhere]
    if not on:
        if len(precision) != 1:
            raise study_error(
                column="precision_error",
                found=f"{len(precision)} rows that share no column with the changes",
                expected="one precision error for all, or one a zone",
                remedy="Keep the column that says to which zone each belongs",
            )
        numbers(precision, "rms_sd")
        return changes.assign(**{name: precision[name].iloc[0] for name in kept})
    check_unique(precision, on, remedy="Keep one precision error a zone")
    return changes.merge(precision[[*on, *kept]], on=on, how="left")
