"""Summaries of change: means on a named scale, the operated against the other side, loss and recovery."""

import numpy as np
import pandas as pd
import pytest
from bone_rows import DAYS, cohort_rows, scan_rows
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.stats.change import change_from_baseline, change_means, operated_less_other, remodelling
from cohortlib.stats.change.summary import SCALES
from cohortlib.stats.describe import group_means

HOW = {"value": "bmd", "baseline": "week_1", "device": ["scanner"]}
LATER = list(DAYS)[1:]


def changes(table, by=("zone",)):
    return change_from_baseline(table, **HOW, by=list(by))


def both_sides(operated, other):
    table = pd.concat(
        [
            scan_rows(operated, measured_side="operated", arm="new"),
            scan_rows(other, measured_side="other", arm="new"),
        ],
        ignore_index=True,
    )
    found = changes(table, by=["measured_side", "zone"])
    return found.assign(arm="new")


# by hand --------------------------------------------------------------------------------------------------


def test_three_scales_of_one_mean_change():
    found = changes(scan_rows([(1.0, 0.8), (1.1, 1.2), (2.0, 2.0)]))
    means = {scale: change_means(found, by=["zone"], scale=scale, unit="g/cm2").iloc[0] for scale in SCALES}
    assert means["absolute"]["estimate"] == pytest.approx(-0.1 / 3)
    assert means["mean of percentages"]["estimate"] == pytest.approx((-20 + 100 / 11) / 3)
    assert means["percentage of means"]["estimate"] == pytest.approx(100 * -0.1 / 4.1)
    assert [row["unit"] for row in means.values()] == ["g/cm2", "%", "%"]
    assert [row["scale"] for row in means.values()] == list(SCALES)
    assert all(row["n_hips"] == 3 for row in means.values())


def test_hips_that_cannot_be_compared_are_counted():
    table = scan_rows([(1.0, 0.9)] * 4)
    table.loc[table["hip_id"].eq("H3") & table["visit_id"].eq("month_6"), "scanner"] = "B"
    row = change_means(changes(table), by=["visit_id"], scale="absolute", unit="g/cm2").iloc[0]
    assert (row["n_hips"], row["n_missing"]) == (3, 1)


def test_operated_less_other():
    pairs = operated_less_other(both_sides([(1.0, 0.8)], [(1.2, 1.1)]), value="change", by=["zone"])
    assert pairs[["operated", "other", "difference"]].iloc[0].tolist() == pytest.approx([-0.2, -0.1, -0.1])
    assert pairs["status"].tolist() == ["compared"]
    assert pairs["arm"].tolist() == ["new"]


def test_a_side_that_cannot_be_compared_is_named():
    found = both_sides([(1.0, 0.8), (1.0, 0.9)], [(1.2, 1.1), (1.2, np.nan)])
    pairs = operated_less_other(found, value="percent", by=["zone"])
    assert pairs["status"].tolist() == ["compared", "other: no value"]
    assert pairs["difference"].isna().tolist() == [False, True]


def test_lowest_mean_last_mean_and_recovery_of_hips_with_both():
    # Lowest at 6 months; the hip without a last scan is not in the recovery.
    table = scan_rows(
        [(1.0, 0.7, 0.9, 0.9), (1.0, 0.8, 0.9, 0.9), (1.0, 0.6, 0.9, 0.8), (1.0, 0.5, 0.9, np.nan)]
    )
    row = remodelling(changes(table), value="change", by=["zone"], visits=LATER, unit="g/cm2").iloc[0]
    assert (row["lowest_visit_id"], row["last_visit_id"]) == ("month_6", "month_24")
    assert row["lowest_estimate"] == pytest.approx(-0.35)
    assert row["last_estimate"] == pytest.approx(-0.4 / 3)
    assert row["recovery_estimate"] == pytest.approx(0.5 / 3)
    assert (row["lowest_n_hips"], row["recovery_n_hips"]) == (4, 3)
    assert row["note"] == "1 hip seen at month_6, not at month_24; lowest of 3 visits, chosen by the data"


def test_bone_that_still_falls_has_no_recovery():
    table = scan_rows([(1.0, 0.9, 0.8, 0.7)] * 3)
    row = remodelling(changes(table), value="percent", by=[], visits=LATER, unit="%").iloc[0]
    assert row["lowest_visit_id"] == row["last_visit_id"] == "month_24"
    assert np.isnan(row["recovery_estimate"])
    assert row["note"] == "the lowest mean is the last one"


# by reference ---------------------------------------------------------------------------------------------


def test_ratio_of_means_has_the_interval_of_its_jackknife():
    # The jackknife is the reference: it knows nothing of the linearisation.
    found = changes(cohort_rows(np.random.default_rng(4), patients=60, zones=1).assign(scanner="A"))
    row = change_means(found, by=["visit_id"], scale="percentage of means", unit="g/cm2").iloc[0]
    compared = found[found["status"] == "compared"]
    ratios = np.array(
        [
            100 * rest["change"].sum() / rest["baseline_value"].sum()
            for patient in compared["patient_id"].unique()
            for rest in [compared[compared["patient_id"] != patient]]
        ]
    )
    n = len(ratios)
    error = np.sqrt((n - 1) / n * ((ratios - ratios.mean()) ** 2).sum())
    assert (row["ci_high"] - row["ci_low"]) / 2 / 2.0 == pytest.approx(error, rel=0.05)


# by law ---------------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(*[st.floats(0.5, 2.0)] * 2), min_size=3, max_size=8), st.floats(0.5, 20))
def test_percentages_know_no_unit(values, factor):
    one = changes(scan_rows(values))
    other = changes(scan_rows([tuple(factor * value for value in row) for row in values]))
    for scale in SCALES[1:]:
        first, second = (
            change_means(found, by=["visit_id"], scale=scale, unit="g/cm2")["estimate"].iloc[0]
            for found in (one, other)
        )
        assert first == pytest.approx(second, abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(*[st.floats(0.5, 2.0)] * 3), min_size=1, max_size=6), st.floats(-0.2, 0.2))
def test_what_happens_to_both_sides_drops_out(values, drift):
    moved = [(row[0], *(value + drift for value in row[1:])) for row in values]
    still = [(1.0,) * 3] * len(values)
    still_moved = [(1.0, 1.0 + drift, 1.0 + drift)] * len(values)
    one, other = (
        operated_less_other(both_sides(*pair), value="change", by=["zone"])["difference"]
        for pair in ((values, still), (moved, still_moved))
    )
    assert one.tolist() == pytest.approx(other.tolist(), abs=1e-9)


# by recovery ----------------------------------------------------------------------------------------------


def test_a_loss_beyond_ageing_is_found_against_the_other_side():
    rng = np.random.default_rng(9)
    start = rng.normal(1.2, 0.1, (40, 1))
    ageing, lost = np.array([[0, -0.03]]), np.array([[0, -0.15]])
    operated, other = (
        [tuple(row) for row in start + change + rng.normal(0, 0.03, (40, 2))]
        for change in (ageing + lost, ageing)
    )
    pairs = operated_less_other(both_sides(operated, other), value="change", by=["zone"])
    mean = group_means(
        pairs, value="difference", by=["zone", "visit_id"], cluster="patient_id", unit="g/cm2"
    ).iloc[0]
    assert mean["ci_low"] < -0.15 < mean["ci_high"] < -0.1


# by failure -----------------------------------------------------------------------------------------------

GOOD = changes(scan_rows([(1.0, 0.9)] * 3))


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: change_means(GOOD, by="zone", scale="absolute", unit="1"), "a list of column names"),
        (lambda: change_means(GOOD, by=[], scale="percent", unit="1"), "mean of percentages"),
        (
            lambda: change_means(
                changes(scan_rows([(0.0, 0.9)] * 3)), by=[], scale="mean of percentages", unit="1"
            ),
            "a baseline above zero",
        ),
        (lambda: operated_less_other(GOOD, value="change", by=["zone"]), "no such column"),
        (
            lambda: operated_less_other(GOOD.assign(measured_side="operated"), value="change", by=["zone"]),
            "without a scan of the other hip there is no control",
        ),
        (lambda: remodelling(GOOD, value="value", by=[], visits=["month_6"], unit="1"), "'percent'"),
        (lambda: remodelling(GOOD, value="change", by=[], visits=["month_9"], unit="1"), "month_9"),
        (lambda: remodelling(GOOD, value="change", by=[], visits=[], unit="1"), "no visit"),
    ],
)
def test_refused_in_words(call, match):
    with pytest.raises(StudyError, match=match):
        call()
