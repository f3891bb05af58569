"""Hips that go another way than their peers: of the same design, in the same zone, at the same visit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from cohortlib.errors import study_error
from cohortlib.stats.change.flags import AGAIN, with_precision
from cohortlib.stats.change.peer_looks import LEAST_PEERS, WORSE_HALF, looks, with_expected
from cohortlib.stats.change.peer_spread import MEDIAN_VARIANCE, between_hip_variance, zone_factors
from cohortlib.stats.inputs import check_choice, check_columns, check_names, check_unique, numbers


def change_against_peers(
    changes: pd.DataFrame,
    precision_error: pd.DataFrame,
    *,
    value: str,
    by: Sequence[str],
    visits: Sequence[str],
    confidence: float = 0.95,
    technique: str | None = None,
    technique_factor: float = 1.0,
) -> pd.DataFrame:
    """Each hip's change against that of other patients' hips of its kind, in units of what may be expected.

    `significant_changes` asks whether bone changed at all. About a stem it does in nearly every hip; this
    asks whether a hip goes another way than the others.

    Parameters
    ----------
    changes
        From `change_from_baseline`, of one side, with a column zone.
    precision_error
        As for `significant_changes`, in the unit of the measurement.
    value
        "percent" (of the own baseline) or "change". Implants take away a share of the bone rather than so
        many g/cm2, so that hips of dense and of thin bone are peers in percent.
    by
        Columns whose equal values make hips peers, such as ["arm", "zone_system"].
    visits
        Visits after the baseline, in order of time.
    confidence
        Two-sided, for a whole hip: all its zones, visits and systems in `changes`, however many.
    technique
        Column that says how an examination was made otherwise than it should ("" where it was not). Nobody is
        compared with such a one, and what goes beyond its limit there is "examine again".
    technique_factor
        How many times larger the error of such an examination is, from a source.

    Returns
    -------
    DataFrame
        One row a hip and look: hip_id, patient_id, the columns of `by`, zone (`WORSE_HALF`: the mean of the
        half that lost most against their error, for a loss that is not in one zone alone), zones (which),
        visit_id, n_visits (2: mean of this visit and the hip's visit before, which a loss that goes on moves
        further than chance does), visits (which), value (the change), expected (median of the peers),
        expected_low, expected_high (where a hip of its kind lies, over all looks at it), excess (value −
        expected), limit, times_limit (excess over limit), flag ("loss", "gain", "examine again", "", or
        missing), n_peers, n_looks, df, technique, reason (why there is no flag). Rows of `changes` without a
        change have none here; their reason stands there.

    Raises
    ------
    StudyError
        If a column is missing, an option is none of those allowed, a visit has no rows, a hip comes twice, or
        the rows are of both sides.

    Notes
    -----
    limit = t · √((τ² + e²) · f · (1 + π/2n)): e is the precision error of this change, τ² the variance
    between hips pooled over zones and visits, f what the zone has more or less of both (`zone_factors`; never
    below e² alone), n the peers, whose median has π/2 times the variance of a mean. Šidák's correction over
    the m looks at a hip: each at confidence^(1/m), strict because zones and visits vary together. Median and
    median deviation: fewer than half of the peers decide nothing, so hips that lose bone do not hide
    themselves by widening what is expected. Hips of one patient are not each other's peers. A value that was
    converted from another scanner counts as exact as one that was not.
    """
    _check_options(changes, value, by, visits, confidence, technique, technique_factor)
    compared = changes[(changes["status"] == "compared") & changes["visit_id"].isin(list(visits))]
    rows = with_precision(compared, precision_error).reset_index(drop=True)
    told = pd.Series("", rows.index) if technique is None else rows[technique].fillna("").astype(str)
    scale = 100 / numbers(rows, "baseline_value") if value == "percent" else np.ones(len(rows))
    error = numbers(rows, "rms_sd") * scale * np.where(told != "", technique_factor, 1.0)
    rows = rows.assign(
        value=numbers(rows, value),
        technique=told.to_numpy(dtype=object),
        error_now=error**2 / rows["n_scans"],
        error_first=error**2 / rows["baseline_scans"],
    )
    every = looks(with_expected(rows[rows["value"].notna()], by=by), by=by, visits=visits)
    judged = every["excess"].notna() & every["error_variance"].notna()
    own = every["n_peers"].clip(lower=1)
    every = every.assign(spread=(1 + MEDIAN_VARIANCE / own) ** 0.5, df=np.nan, variance=np.nan)
    for _, group in every[judged].groupby(list(by), sort=False):
        every.loc[group.index, ["variance", "df"]] = _variance(group)
    n_looks = judged.groupby(every["hip_id"]).transform("sum")
    each = (1 + confidence ** (1 / n_looks.clip(lower=1))) / 2
    limit = stats.t.ppf(each, every["df"]) * np.sqrt(every["variance"]) * every["spread"]
    beyond = np.select([every["excess"] >= limit, every["excess"] <= -limit], ["gain", "loss"], "")
    beyond = np.where((beyond != "") & (every["technique"] != ""), AGAIN, beyond)
    few = [f"{count} peers, fewer than {LEAST_PEERS}" for count in every["n_peers"]]
    why = np.where(every["expected"].isna(), np.array(few, dtype=object), "no precision error of this zone")
    found = every.assign(
        expected_low=every["expected"] - limit,
        expected_high=every["expected"] + limit,
        limit=limit,
        times_limit=every["excess"] / limit,
        flag=pd.Series(beyond, every.index, dtype="str").where(judged),
        n_looks=n_looks,
        reason=np.where(judged, "", why),
    )
    columns = ["hip_id", "patient_id", *by, "zone", "zones", "visit_id", "n_visits", "visits", "value"]
    columns += [
        "expected",
        "expected_low",
        "expected_high",
        "excess",
        "limit",
        "times_limit",
        "flag",
        "n_peers",
    ]
    return found[[*columns, "n_looks", "df", "technique", "reason"]]


def _variance(group: pd.DataFrame) -> np.ndarray:
    """Two columns: variance to be expected of each look of one kind of hips, and its degrees of freedom."""
    centred, error = (group["excess"] / group["spread"]).to_numpy(), group["error_variance"].to_numpy()
    alone = ((group["n_visits"] == 1) & (group["technique"] == "")).to_numpy()
    zones = group["zone"].to_numpy()
    of_zones = alone & (zones != WORSE_HALF)
    if not of_zones.any():
        return np.full((len(group), 2), np.nan)
    total = between_hip_variance(centred[of_zones], error[of_zones]) + error
    names = list(dict.fromkeys(zones[alone]))
    members = [alone & (zones == name) for name in names]
    factor, df = zone_factors(
        [centred[which] / np.sqrt(total[which]) for which in members],
        [group.loc[which, "hip_id"].nunique() for which in members],
    )
    of_name = {name: place for place, name in enumerate(names)}
    place = np.array([of_name.get(name, -1) for name in zones])
    known = place >= 0
    variance = np.where(known, np.maximum(factor[place] * total, error), np.nan)
    return np.column_stack([variance, np.where(known, df[place], np.nan)])


def _check_options(
    changes: pd.DataFrame,
    value: str,
    by: Sequence[str],
    visits: Sequence[str],
    confidence: float,
    technique: str | None,
    technique_factor: float,
) -> None:
    check_choice("value", value, ("percent", "change"))
    check_names("by", by)
    check_names("visits", visits)
    needed = ["hip_id", "patient_id", "visit_id", "zone", *by, value, "n_scans", "baseline_scans", "status"]
    check_columns(changes, [*needed, "baseline_value", *([] if technique is None else [technique])])
    unknown = [visit for visit in visits if visit not in set(changes["visit_id"])]
    for column, wrong, found, expected, remedy in (
        ("by", not by, "no column", "columns that make peers", 'Name them, such as by=["arm"]'),
        (
            "zone",
            bool(changes["zone"].astype(str).eq(WORSE_HALF).any()),
            WORSE_HALF,
            "names of zones",
            "Call the zone otherwise: this name is taken",
        ),
        (
            "visits",
            bool(unknown) or not visits,
            ", ".join(unknown) or "no visit",
            "visits of the changes",
            "Name the visits after the baseline in order of time",
        ),
        ("confidence", not 0 < confidence < 1, confidence, "a number between 0 and 1", "Write 0.95 for 95 %"),
        (
            "technique_factor",
            not 1 <= technique_factor < np.inf,
            technique_factor,
            "1 or more",
            "Say how many times larger the error is",
        ),
    ):
        if wrong:
            raise study_error(column=column, found=found, expected=expected, remedy=remedy)
    if "measured_side" in changes and changes["measured_side"].nunique() > 1:
        raise study_error(
            column="measured_side",
            found=", ".join(map(str, changes["measured_side"].unique())),
            expected="rows of one side",
            remedy="Keep one side: the other hip is no peer of an operated one",
        )
    check_unique(changes, ["hip_id", "visit_id", "zone", *by], remedy="Name in by what tells its rows apart")
