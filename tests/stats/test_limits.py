import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stats_reference import expected, reference

from cohortlib.errors import StudyError
from cohortlib.stats.agreement import limits_of_agreement

NAMES = {"first": "first", "second": "second"}


def pairs(differences, patients=None):
    d = np.asarray(differences, dtype=float)
    table = pd.DataFrame({"first": 40 + d, "second": 40.0})
    return table.assign(patient_id=range(len(d)) if patients is None else patients)


# by hand --------------------------------------------------------------------------------------------------


def test_three_differences():
    row = limits_of_agreement(pairs([-1, 0, 1]), **NAMES).iloc[0]
    assert row[["bias", "sd", "lower", "upper"]].tolist() == pytest.approx([0, 1, -1.96, 1.96])
    # t with 2 degrees of freedom is 4.303 (any table); standard errors 1/sqrt(3) and sqrt(3/3).
    assert row["bias_ci_high"] == pytest.approx(4.303 / np.sqrt(3), abs=1e-3)
    assert row["upper_ci_high"] == pytest.approx(1.96 + 4.303, abs=1e-3)
    assert row["n"] == 3
    assert row["note"] == ""


def test_pairs_without_a_value_are_counted():
    table = pairs([-1, 0, 1, 5, 5])
    table.loc[3, "first"] = np.nan
    table.loc[4, "second"] = np.nan
    row = limits_of_agreement(table, **NAMES).iloc[0]
    assert row["sd"] == pytest.approx(1)
    assert (row["n"], row["n_missing"]) == (3, 2)
    assert row["note"] == "2 pairs without a value"


def test_two_pairs_give_no_number():
    row = limits_of_agreement(pairs([1, 2]), **NAMES).iloc[0]
    assert row[["bias", "sd", "lower", "upper", "bias_ci_low", "upper_ci_high"]].isna().all()
    assert row["note"] == "no estimate from 2 pairs of 2 clusters"


def test_no_pair_gives_no_number():
    row = limits_of_agreement(pairs([]), **NAMES).iloc[0]
    assert np.isnan(row["bias"])
    assert row["n"] == 0


def test_copied_readings_are_noticed():
    row = limits_of_agreement(pairs([0, 0, 0, 0]), **NAMES).iloc[0]
    assert "copied" in row["note"]


def test_dependent_pairs_are_noticed():
    row = limits_of_agreement(pairs([1, 2, 3, 5], list("aabc")), **NAMES, cluster="patient_id").iloc[0]
    assert row["n_clusters"] == 3
    assert "draw patients" in row["note"]


# by reference ---------------------------------------------------------------------------------------------


def test_bland_altman_1986():
    table = reference("bland_altman_1986")
    row = limits_of_agreement(table, first="wright_1", second="mini_1", multiplier=2).iloc[0]
    for _, quantity, value, tolerance in expected("bland_altman_1986", "limits"):
        assert row[quantity] == pytest.approx(value, abs=tolerance), quantity


def test_exact_interval_against_noncentral_t():
    table = reference("bland_altman_1986")
    row = limits_of_agreement(table, first="wright_1", second="mini_1", interval="exact").iloc[0]
    (_, _, near, _), (_, _, far, _) = expected("bland_altman_1986", "exact limits")
    bounds = row[["lower_ci_low", "lower_ci_high", "upper_ci_low", "upper_ci_high"]].tolist()
    assert bounds == pytest.approx([row["bias"] + row["sd"] * f for f in (-far, -near, near, far)])


# by law ---------------------------------------------------------------------------------------------------

values = st.lists(st.floats(-50, 50), min_size=3, max_size=12).filter(lambda d: np.std(d) > 1e-3)


@settings(max_examples=30, deadline=None)
@given(values, st.sampled_from(["Bland-Altman 1986", "exact"]))
def test_exchanging_the_readers_mirrors_the_limits(differences, interval):
    table = pairs(differences)
    one = limits_of_agreement(table, **NAMES, interval=interval).iloc[0]
    other = limits_of_agreement(table, first="second", second="first", interval=interval).iloc[0]
    assert other["bias"] == pytest.approx(-one["bias"], abs=1e-9)
    assert other["lower_ci_low"] == pytest.approx(-one["upper_ci_high"], rel=1e-9, abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(values, st.randoms(use_true_random=False), st.floats(0.1, 10))
def test_order_and_unit_do_not_matter(differences, random, factor):
    table = pairs(differences)
    shuffled = table.sample(frac=1, random_state=random.randrange(1000))
    one = limits_of_agreement(table, **NAMES).iloc[0]
    other = limits_of_agreement(
        shuffled.assign(first=shuffled["first"] * factor, second=40 * factor), **NAMES
    )
    assert other.loc[0, "upper_ci_high"] == pytest.approx(one["upper_ci_high"] * factor, rel=1e-6, abs=1e-6)


def test_the_same_seed_draws_the_same_interval():
    table = pairs(np.random.default_rng(4).normal(size=30), np.repeat(range(15), 2))
    options = {**NAMES, "interval": "cluster bootstrap", "cluster": "patient_id"}
    one, two, other = (limits_of_agreement(table, **options, seed=seed).iloc[0] for seed in (1, 1, 2))
    assert one["lower_ci_low"] == two["lower_ci_low"]
    assert one["lower_ci_low"] != other["lower_ci_low"]


# by recovery ----------------------------------------------------------------------------------------------


def test_exact_intervals_hold_the_true_limit_in_95_of_100_small_studies():
    rng = np.random.default_rng(1)
    held = 0
    for _ in range(400):
        table = pairs(1 + 2 * rng.normal(size=8))
        row = limits_of_agreement(table, **NAMES, interval="exact").iloc[0]
        held += row["upper_ci_low"] <= 1 + 1.96 * 2 <= row["upper_ci_high"]
    assert 0.92 <= held / 400 <= 0.98


def test_drawing_patients_widens_the_bias_where_pairs_are_alike():
    rng = np.random.default_rng(2)
    patients = np.repeat(range(40), 4)
    table = pairs(2 * rng.normal(size=40)[patients] + 0.3 * rng.normal(size=160), patients)
    naive = limits_of_agreement(table, **NAMES, cluster="patient_id").iloc[0]
    drawn = limits_of_agreement(
        table, **NAMES, interval="cluster bootstrap", cluster="patient_id", seed=3
    ).iloc[0]
    width = {name: row["bias_ci_high"] - row["bias_ci_low"] for name, row in (("n", naive), ("d", drawn))}
    # The standard error of 40 patients with 4 nearly equal pairs is about twice that of 160 strangers.
    assert 1.7 < width["d"] / width["n"] < 2.4
    assert drawn["bias"] == naive["bias"]


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"first": "frist"}, "frist: found no such column"),
        ({"first": ["40", "41", "no value"]}, {}, "first: found no value"),
        ({"first": [40, np.inf, 41]}, {}, "finite numbers"),
        ({"first": pd.to_datetime(["2031-01-01"] * 3)}, {}, "Turn the dates into days"),
        ({}, {"interval": "bootstrap"}, "interval: found 'bootstrap'"),
        ({}, {"interval": "cluster bootstrap", "cluster": "patient_id"}, "cluster, seed"),
        ({}, {"interval": "cluster bootstrap", "seed": 1}, "cluster, seed"),
        ({}, {"multiplier": 0}, "multiplier"),
        ({"patient_id": ["a", None, "b"]}, {"cluster": "patient_id"}, "patient_id: found no value"),
    ],
)
def test_wrong_input(change, options, match):
    table = pairs([1, 2, 3])
    for column, values in change.items():
        table[column] = pd.Series(values)
    with pytest.raises(StudyError, match=match):
        limits_of_agreement(table, **{**NAMES, **options})
