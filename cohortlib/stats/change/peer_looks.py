"""Each hip's change beside the middle of its peers: zone by zone and several zones, one visit and two."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from cohortlib.stats.inputs import sentence_of

#: Fewer hips of other patients than this are no peers to be compared with.
LEAST_PEERS = 5
#: What stands for the zone where the half of a hip's zones that lost most are taken together.
WORSE_HALF = "worse half"
_KEPT = (
    *("visit_id", "visits", "n_visits", "value", "expected", "n_peers", "technique"),
    *("error_now", "error_first"),
)


def with_expected(rows: pd.DataFrame, *, by: Sequence[str]) -> pd.DataFrame:
    """The rows with `expected` and `n_peers`: the median change of the other patients' hips.

    Parameters
    ----------
    rows
        hip_id, patient_id, visit_id, zone, value, technique and the columns of `by`, each hip once.
    by
        Columns whose equal values make hips peers.

    Returns
    -------
    DataFrame
        expected is empty where there are fewer than `LEAST_PEERS`. Examinations that were made otherwise
        than they should be are compared, but nobody is compared with them.
    """
    expected, peers = _medians_of_others(rows, rows["value"], [*by, "zone", "visit_id"])
    return rows.assign(expected=expected, n_peers=peers)


def looks(rows: pd.DataFrame, *, by: Sequence[str], visits: Sequence[str]) -> pd.DataFrame:
    """Every way in which a hip is looked at: a zone or several, at a visit alone or with the one before it.

    Parameters
    ----------
    rows
        From `with_expected`, with error_now and error_first: variances of the value by the error of measuring
        at this visit and at the first.
    by
        As there.
    visits
        In order of time.

    Returns
    -------
    DataFrame
        rows, and means of rows: n_visits 2 for the mean of a visit and the hip's visit before (these share
        the error of the first examination), zone `WORSE_HALF` where there are several zones; with zones
        (which), excess (value − expected) and error_variance of the mean.
    """
    of_hip = ["hip_id", "patient_id", *by]
    single = rows.assign(n_visits=1, visits=rows["visit_id"].astype(object))
    single = single[[*of_hip, "zone", *_KEPT]]
    order = {visit: place for place, visit in enumerate(visits)}
    ordered = single.assign(order=single["visit_id"].map(order)).sort_values("order", kind="stable")
    before = ordered.groupby([*of_hip, "zone"], sort=False)[list(_KEPT)].shift()
    had = before["visit_id"].notna()
    now, then = ordered[had], before[had]
    both = now.assign(
        n_visits=2,
        visits=then["visits"] + " and " + now["visits"],
        n_peers=np.minimum(now["n_peers"], then["n_peers"]).astype(int),
        technique=[_told(pair) for pair in zip(then["technique"], now["technique"], strict=True)],
        error_now=(now["error_now"] + then["error_now"]) / 4,
        **{name: (now[name] + then[name]) / 2 for name in ("value", "expected", "error_first")},
    ).drop(columns="order")
    zones = pd.concat([single, both], ignore_index=True)
    zones = zones.assign(
        zones=zones["zone"].astype(str),
        excess=zones["value"] - zones["expected"],
        error_variance=zones["error_now"] + zones["error_first"],
    ).drop(columns=["error_now", "error_first"])
    return pd.concat([zones, _worse_half(zones, of_hip, by)], ignore_index=True)


def _worse_half(zones: pd.DataFrame, of_hip: Sequence[str], by: Sequence[str]) -> pd.DataFrame:
    """The mean over the half of a hip's zones that lie lowest against their error, as in usual hips some do.

    So what is expected of it is lower than the mean of what is expected of these zones, by what the peers'
    own worse halves are; and it varies less than the mean of as many zones named beforehand (variance of a
    trimmed mean in large samples: Stigler SM. The asymptotic distribution of the trimmed mean. Ann Stat
    1973;1:472-7).
    """
    known = zones[zones["excess"].notna() & zones["error_variance"].gt(0)]
    known = known.assign(against_error=known["excess"] / known["error_variance"] ** 0.5)
    keys = [*of_hip, "visit_id", "n_visits"]
    known = known.sort_values("against_error", kind="stable")
    count = known.groupby(keys)["zone"].transform("size")
    half = (count + 1) // 2
    lowest = known[(known.groupby(keys).cumcount() < half) & (count > 1)].assign(count=count, half=half)
    found = (
        lowest.groupby(keys, sort=False)
        .agg(
            zones=("zones", lambda names: ", ".join(sorted(names))),
            visits=("visits", "first"),
            value=("value", "mean"),
            expected=("expected", "mean"),
            technique=("technique", _told),
            error_variance=("error_variance", "mean"),
            count=("count", "first"),
            half=("half", "first"),
        )
        .reset_index()
        .assign(zone=WORSE_HALF)
    )
    lower, peers = _medians_of_others(
        found, found["value"] - found["expected"], [*by, "visit_id", "n_visits"]
    )
    found["expected"] += lower
    found["error_variance"] *= _variance_of_lowest(found["half"].to_numpy(), found["count"].to_numpy())
    return found.assign(excess=found["value"] - found["expected"], n_peers=peers).drop(
        columns=["count", "half"]
    )


def _variance_of_lowest(half: NDArray[np.int_], count: NDArray[np.int_]) -> NDArray[np.float64]:
    """Variance of the mean of the lowest of several normal values of variance 1."""
    share = half / count
    cut = stats.norm.ppf(share)
    mean = -stats.norm.pdf(cut) / share
    within = 1 + cut * mean - mean**2
    return np.asarray((within + (1 - share) * (cut - mean) ** 2) / half)


def _medians_of_others(
    rows: pd.DataFrame, numbers: pd.Series, groups: Sequence[str]
) -> tuple[NDArray[np.float64], NDArray[np.int_]]:
    """Of each row the median of its group's sound rows of other patients, and how many these are."""
    medians, peers = np.full(len(rows), np.nan), np.zeros(len(rows), dtype=int)
    patients, values = rows["patient_id"].astype(str).to_numpy(), numbers.to_numpy(dtype=float)
    sound = rows["technique"].eq("").to_numpy() & np.isfinite(values)
    for members in rows.groupby(list(groups), sort=False).indices.values():
        for place in members:
            others = values[members[sound[members] & (patients[members] != patients[place])]]
            peers[place] = len(others)
            if len(others) >= LEAST_PEERS:
                medians[place] = np.median(others)
    return medians, peers


def _told(notes: Iterable[str]) -> str:
    parts = [part for note in notes for part in str(note).split("; ")]
    return sentence_of(*dict.fromkeys(parts))
