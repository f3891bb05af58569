import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stats_reference import expected, reference
from test_intraclass import long_table, readings

from cohortlib.errors import StudyError
from cohortlib.stats.agreement import (
    intraclass_correlation,
    limits_of_agreement,
    smallest_detectable_change,
)

NAMES = {"subject": "subject", "rater": "rater", "value": "value"}


def changes(table, **options):
    return smallest_detectable_change(table, **NAMES, **options).set_index("form")


# by hand --------------------------------------------------------------------------------------------------


def test_three_films_read_twice():
    # Differences 1, 1, 2: SEM² = (1 + 1 + 4) / (2·3) = 1, SDC = 1.96·√2 = 2.77.
    row = changes(long_table([[40, 41], [45, 44], [52, 50]])).loc["repeats"]
    assert row["sem"] == pytest.approx(1)
    assert row["estimate"] == pytest.approx(2.772, abs=1e-3)
    assert row["df"] == 3


def test_a_steady_shift_is_forgiven_by_consistency_only():
    table = changes(long_table([[40, 43], [45, 48], [52, 55]]))
    assert table.loc["consistency", "sem"] == 0
    assert "copied" in table.loc["consistency", "note"]
    assert table.loc["agreement", "sem"] == pytest.approx(3 / np.sqrt(2))
    assert table.loc["agreement", "df"] == pytest.approx(1)  # two readers say little about readers at large


def test_repeats_use_subjects_that_lack_a_reading():
    table = long_table([[40, 41, 42], [45, 44, 43], [52, 50, 51], [47, 49, np.nan], [50, np.nan, np.nan]])
    found = changes(table)
    assert found["n_subjects"].tolist() == [4, 3, 3]
    assert found["n_left_out"].tolist() == [1, 2, 2]
    assert found.loc["repeats", "df"] == 2 + 2 + 2 + 1
    assert found.loc["repeats", "sem"] ** 2 == pytest.approx((2 + 2 + 2 + 2) / 7)


def test_too_few_give_no_number():
    found = changes(long_table([[40, 41], [45, 44]]))
    assert found[["estimate", "ci_low", "sem", "df"]].isna().all(axis=None)
    assert "no estimate from 2 subjects" in found["note"].iloc[0]


def test_a_form_with_too_few_subjects_has_no_drawn_interval_either():
    table = long_table([[40, 41, 42], [45, 44, 43], [52, 50, np.nan], [47, 49, np.nan], [50, 51, np.nan]])
    found = changes(table, interval="cluster bootstrap", cluster="patient_id", seed=1)
    assert found["n_subjects"].tolist() == [5, 2, 2]
    assert found["ci_high"].isna().tolist() == [False, True, True]
    assert "no estimate from 2 subjects" in found.loc["agreement", "note"]


# by reference ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("example", "values"),
    [
        (
            "duplicate_density",
            [(0.842, 0.851), (1.013, 1.002), (0.765, 0.771), (0.910, 0.898), (1.120, 1.131)],
        ),
        (
            "double_examination",
            [(d, 0) for d in (0.05, -0.02, 0.08, -0.06, 0.01, 0.03, -0.09, 0.04, -0.01, 0.02)],
        ),
    ],
)
def test_worked_precision_sets(example, values):
    row = changes(long_table(values)).loc["repeats"]
    for _, quantity, value, tolerance in expected(example, "repeats"):
        assert row[quantity] == pytest.approx(value, abs=tolerance)


@pytest.mark.parametrize("meter", ["wright", "mini"])
def test_bland_altman_repeatability(meter):
    table = reference("bland_altman_1986")
    row = changes(long_table(table[[f"{meter}_1", f"{meter}_2"]])).loc["repeats"]
    value = next(v for _, q, v, _ in expected("bland_altman_1986", "repeatability") if q == meter)
    # They print 2 instead of 1.96 standard deviations of the difference.
    assert row["estimate"] / 1.96 * 2 == pytest.approx(value, abs=0.005)


def test_interval_of_thirty_degrees_of_freedom():
    values = np.random.default_rng(1).normal(size=(30, 2))
    row = changes(long_table(values)).loc["repeats"]
    (_, _, low, tolerance), (_, _, high, _) = expected("precision_limits", "30 df")
    assert row["df"] == 30
    assert row["sem_ci_low"] / row["sem"] == pytest.approx(low, abs=tolerance)
    assert row["sem_ci_high"] / row["sem"] == pytest.approx(high, abs=tolerance)


# by law ---------------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(readings, st.floats(0.1, 10))
def test_change_scales_with_the_unit_and_holds_its_estimate(values, factor):
    one, other = changes(long_table(values)), changes(long_table(values * factor))
    assert other["estimate"].to_numpy() == pytest.approx(one["estimate"].to_numpy() * factor, rel=1e-6)
    assert (one["ci_low"] <= one["estimate"]).all()
    assert (one["estimate"] <= one["ci_high"]).all()


@settings(max_examples=30, deadline=None)
@given(readings)
def test_degrees_of_freedom_of_agreement_lie_between_readers_and_readings(values):
    n, k = values.shape
    df = changes(long_table(values))["df"]
    assert k - 1 - 1e-9 <= df["agreement"] <= n * (k - 1) + 1e-9


def test_half_the_limits_of_agreement_is_the_consistent_change():
    values = np.random.default_rng(3).normal([0, 1], size=(20, 2))
    limits = limits_of_agreement(pd.DataFrame(values, columns=["a", "b"]), first="a", second="b").iloc[0]
    change = changes(long_table(values)).loc["consistency", "estimate"]
    assert change == pytest.approx((limits["upper"] - limits["lower"]) / 2)


# by recovery ----------------------------------------------------------------------------------------------


def test_known_error_is_found_again():
    rng = np.random.default_rng(8)
    patients = np.repeat(np.arange(60), 2)
    table = long_table(6 * rng.normal(size=60)[patients, None] + 1.5 * rng.normal(size=(120, 2)), patients)
    found = changes(table, interval="cluster bootstrap", cluster="patient_id", seed=2)
    assert found["estimate"].to_numpy() == pytest.approx(1.96 * np.sqrt(2) * 1.5, rel=0.15)
    assert (found["ci_low"] < 1.96 * np.sqrt(2) * 1.5).all()
    assert (found["ci_high"] > 1.96 * np.sqrt(2) * 1.5).all()
    reliability = intraclass_correlation(table, **NAMES).set_index("form")
    total = table["value"].var()
    expected_sem = np.sqrt(total * (1 - reliability.loc["ICC(3,1)", "estimate"]))
    assert found.loc["consistency", "sem"] == pytest.approx(expected_sem, rel=0.05)


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"value": "angle"}, "angle: found no such column"),
        ({"rater": 1}, {}, "each combination once"),
        ({"value": "40°"}, {}, "value: found '40°'"),
        ({}, {"interval": "F"}, "one of 'chi-square', 'cluster bootstrap'"),
        ({}, {"interval": "cluster bootstrap", "seed": 1}, "cluster, seed"),
    ],
)
def test_wrong_input(change, options, match):
    table = long_table([[40, 41], [45, 44], [52, 50]]).assign(**change)
    with pytest.raises(StudyError, match=match):
        smallest_detectable_change(table, **{**NAMES, **options})
