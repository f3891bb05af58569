import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from stats_reference import expected, reference

from cohortlib.errors import StudyError
from cohortlib.stats.describe import group_means, share_inside
from cohortlib.stats.within_patient import within_patient_correlation

MEAN = {"value": "value", "by": ("arm",), "cluster": "patient_id", "unit": "deg"}
ZONE = {"value": "value", "lower": 30, "upper": 50, "by": (), "cluster": "patient_id"}


def hips(values, patients=None, arm="one"):
    table = pd.DataFrame({"value": values, "arm": arm})
    table["patient_id"] = range(len(table)) if patients is None else list(patients)
    return table.assign(hip_id=range(len(table)))


def families():
    """Liang 1992: one row a sibling, as if hips of a patient."""
    rows = [
        (f"{family.Index}-{copy}", f"{family.Index}-{copy}-{sibling}", float(sibling < family.affected))
        for family in reference("liang_1992").itertuples()
        for copy in range(family.families)
        for sibling in range(family.siblings)
    ]
    return pd.DataFrame(rows, columns=["patient_id", "hip_id", "value"])


# by hand --------------------------------------------------------------------------------------------------


def test_mean_of_one_hip_each():
    values = [38.0, 44, 41, 47, 50]
    row = group_means(hips(values), **MEAN).iloc[0]
    assert (row["estimate"], row["sd"], row["df"]) == pytest.approx((44, np.std(values, ddof=1), 4))
    interval = stats.t.interval(0.95, 4, 44, stats.sem(values))
    assert (row["ci_low"], row["ci_high"]) == pytest.approx(interval)


def test_groups_stand_apart_and_missing_hips_are_counted():
    table = hips([1, 2, 3, 4, 5, np.nan, 7, 8], list("abcdefgh"), arm=["x"] * 4 + ["y"] * 3 + ["z"])
    found = group_means(table, **MEAN).set_index("arm")
    assert found["n_patients"].to_dict() == {"x": 4, "y": 2, "z": 1}
    assert found["n_missing"].to_dict() == {"x": 0, "y": 1, "z": 0}
    assert found.loc["x", "estimate"] == 2.5
    assert np.isnan(found.loc["y", "estimate"])
    assert found.loc["y", "note"] == "1 hip without a value; no estimate from 2 patients"


def test_hips_without_an_arm_are_a_group_of_their_own():
    found = group_means(hips([1, 2, 3, 4], arm=["x", "x", "x", None]), **MEAN)
    assert found["n_hips"].tolist() == [3, 1]


def test_bounds_of_the_zone_are_inside():
    row = share_inside(hips([30, 50, 29.99, 50.01]), **ZONE).iloc[0]
    assert (row["n_inside"], row["estimate"], row["design_factor"]) == (2, 0.5, 1)


def test_hips_fully_alike_count_once():
    # Every patient has two hips, both in or both out: 10 of 20 hips say no more than 5 of 10 patients.
    inside = np.repeat([40, 60] * 5, 2)
    row = share_inside(hips(inside, np.repeat(range(10), 2)), **ZONE).iloc[0]
    alone = share_inside(hips([40, 60] * 5), **ZONE).iloc[0]
    assert row["within_patient"] == pytest.approx(1)
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((alone["ci_low"], alone["ci_high"]))


def test_all_inside_is_no_certainty_and_pairs_then_count_once():
    row = share_inside(hips([40] * 40, np.repeat(range(20), 2)), **ZONE).iloc[0]
    assert row["estimate"] == 1
    assert row["ci_low"] == pytest.approx(1 - 0.1611, abs=1e-4)  # 20/20, Newcombe 1998: 0/20 is 0 to .1611
    assert "fully alike" in row["note"]


def test_correlation_of_pairs():
    # Pairs (1, 1) (2, 2) (3, 3): 1. Pairs (1, 3) (3, 1) (1, 3): means all 2, between 0, within 2: −1.
    assert within_patient_correlation([1, 1, 2, 2, 3, 3], list("aabbcc")) == pytest.approx(1)
    assert within_patient_correlation([1, 3, 3, 1, 1, 3], list("aabbcc")) == pytest.approx(-1)
    assert np.isnan(within_patient_correlation([1, 3, 3, 1, 5], list("aabbc")))
    assert np.isnan(within_patient_correlation([2] * 6, list("aabbcc")))


@pytest.mark.parametrize("values", [[40.0, 41.0], []])
def test_too_few_give_no_number(values):
    table = hips(values)
    for found in (group_means(table, **MEAN), share_inside(table, **ZONE)):
        assert found["estimate"].isna().all()


# by reference ---------------------------------------------------------------------------------------------


def test_clustered_proportion_of_liang_1992():
    row = share_inside(families(), **{**ZONE, "lower": 1, "upper": 1}).iloc[0]
    assert (row["n_patients"], row["n_hips"], row["n_inside"]) == (100, 203, 60)
    for _, quantity, value, tolerance in expected("liang_1992"):
        assert row[quantity] == pytest.approx(value, abs=tolerance), quantity


@pytest.mark.parametrize(
    ("inside", "n", "low", "high"),
    # Newcombe RG, Stat Med 1998;17:857-72, Wilson's interval.
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_s_interval_of_one_hip_each(inside, n, low, high):
    row = share_inside(hips([40] * inside + [60] * (n - inside)), **ZONE).iloc[0]
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((low, high), abs=6e-5)


def test_clustered_mean_against_r():
    row = group_means(reference("invented_hips"), **{**MEAN, "value": "inclination", "by": ()}).iloc[0]
    for _, quantity, value, tolerance in expected("invented_hips", "mean: intercept"):
        if quantity in row.index:
            assert row[quantity] == pytest.approx(value, rel=tolerance), quantity


# by law ---------------------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(20, 60), min_size=6, max_size=15), st.randoms(use_true_random=False))
def test_order_does_not_matter_and_shares_stay_between_nought_and_one(values, random):
    table = hips(values, np.arange(len(values)) // 2)
    shuffled = table.sample(frac=1, random_state=random.randrange(1000))
    one, other = (share_inside(t, **ZONE).iloc[0] for t in (table, shuffled))
    assert other["ci_low"] == pytest.approx(one["ci_low"])
    assert 0 <= one["ci_low"] <= one["estimate"] <= one["ci_high"] <= 1
    means = [group_means(t, **MEAN).iloc[0] for t in (table, shuffled)]
    assert means[1]["ci_high"] == pytest.approx(means[0]["ci_high"])


@settings(max_examples=25, deadline=None)
@given(st.lists(st.booleans(), min_size=6, max_size=14))
def test_inside_and_outside_add_to_one(inside):
    table = hips([40 if one else 60 for one in inside], np.arange(len(inside)) // 2)
    within = share_inside(table, **ZONE).iloc[0]
    outside = share_inside(table, **{**ZONE, "lower": 55, "upper": np.inf}).iloc[0]
    assert within["estimate"] + outside["estimate"] == pytest.approx(1)
    assert within["ci_low"] == pytest.approx(1 - outside["ci_high"], abs=1e-9)


# by recovery ----------------------------------------------------------------------------------------------


def test_mean_of_alike_hips_is_held_in_95_of_100_cohorts():
    rng = np.random.default_rng(10)
    held = 0
    for _ in range(200):
        patients = np.repeat(np.arange(30), 1 + (rng.random(30) < 0.3))
        shared, own = np.sqrt(0.7) * rng.normal(size=30), np.sqrt(0.3) * rng.normal(size=len(patients))
        row = group_means(hips(42 + shared[patients] + own, patients), **MEAN).iloc[0]
        held += row["ci_low"] <= 42 <= row["ci_high"]
    assert 0.91 <= held / 200 <= 0.985


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"value": "angle"}, "angle: found no such column"),
        ({}, {"by": "arm"}, r"Write by=\[\"arm\"\]"),
        ({}, {"by": ("surgeon_id",)}, "surgeon_id: found no such column"),
        ({"hip_id": 1}, {}, "Keep one row a hip"),
        ({"value": "steep"}, {}, "value: found 'steep'"),
        ({"patient_id": None}, {}, "patient_id: found no value"),
    ],
)
@pytest.mark.parametrize("function", [group_means, share_inside])
def test_wrong_input(function, change, options, match):
    table = hips([40, 42, 44, 46]).assign(**change)
    with pytest.raises(StudyError, match=match):
        function(table, **{**(MEAN if function is group_means else ZONE), **options})


@pytest.mark.parametrize("bounds", [{"lower": 50, "upper": 30}, {"lower": np.nan, "upper": 30}])
def test_an_empty_zone(bounds):
    with pytest.raises(StudyError, match="a lower bound that is not above the upper"):
        share_inside(hips([40, 42, 44]), **{**ZONE, **bounds})
