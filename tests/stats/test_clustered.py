import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from stats_reference import expected, reference

from cohortlib.errors import StudyError
from cohortlib.stats.clustered import clustered_regression


def terms(outcome, design, cluster, **options):
    return clustered_regression(outcome, design, cluster, **options).set_index("term")


def drawn_design(rng, clusters):
    """Intercept, a number of the hip, and a property of the patient."""
    n = len(clusters)
    of_patient = rng.normal(size=np.max(clusters) + 1)[clusters]
    return pd.DataFrame({"intercept": np.ones(n), "angle": rng.normal(size=n), "age": of_patient})


# by hand --------------------------------------------------------------------------------------------------


def test_mean_of_one_hip_each_is_student_s_interval():
    y = np.array([3.0, 5, 4, 8, 6])
    row = terms(y, pd.DataFrame({"mean": np.ones(5)}), range(5)).loc["mean"]
    assert row["df"] == pytest.approx(4)
    assert (row["ci_low"], row["ci_high"]) == pytest.approx(stats.t.interval(0.95, 4, y.mean(), stats.sem(y)))


def test_mean_of_equal_groups_is_student_s_interval_of_their_means():
    y = np.array([[3.0, 5], [4, 8], [6, 9], [1, 2]])
    row = terms(y.ravel(), pd.DataFrame({"mean": np.ones(8)}), np.repeat(range(4), 2)).loc["mean"]
    means = y.mean(axis=1)
    assert row["df"] == pytest.approx(3)
    assert row["standard_error"] == pytest.approx(stats.sem(means))


def test_two_groups_have_welch_s_error_and_known_degrees_of_freedom():
    first, second = np.array([3.0, 5, 4, 8, 6]), np.array([1.0, 9, 4])
    design = pd.DataFrame({"intercept": 1.0, "group": [0] * 5 + [1] * 3})
    row = terms(np.concatenate([first, second]), design, range(8)).loc["group"]
    assert row["standard_error"] == pytest.approx(np.sqrt(first.var(ddof=1) / 5 + second.var(ddof=1) / 3))
    # Under equal spread: (1/n + 1/m)² / (1/(n²(n−1)) + 1/(m²(m−1))).
    assert row["df"] == pytest.approx((1 / 5 + 1 / 3) ** 2 / (1 / (25 * 4) + 1 / (9 * 2)))


def test_two_patients_give_no_number():
    row = terms([1, 2, 3, 4], pd.DataFrame({"mean": np.ones(4)}), ["a", "a", "b", "b"]).iloc[0]
    assert row[["estimate", "standard_error", "df", "ci_low"]].isna().all()


def test_a_term_that_one_patient_decides_alone_is_named():
    design = pd.DataFrame({"intercept": 1.0, "device": [1, 0, 0, 0, 0]})
    table = terms([3, 5, 4, 8, 6], design, range(5))
    assert table["settled_by_one"].tolist() == [False, True]


# by reference ---------------------------------------------------------------------------------------------


def designs():
    growth = reference("potthoff_roy_1964")
    hips = reference("invented_hips")
    one, angle = pd.Series(1.0, hips.index, name="intercept"), hips["inclination"]
    crossed = (growth["age_years"] * growth["male"]).rename("age:male")
    by_age = growth[["age_years", "male"]].rename(columns={"age_years": "age"})
    intercept = pd.Series(1.0, growth.index, name="intercept")
    return {
        "growth": (growth["distance_mm"], pd.concat([intercept, by_age, crossed], axis=1), growth["subject"]),
        "slope": (hips["score"], pd.concat([one, angle], axis=1), hips["patient_id"]),
        "adjusted": (hips["score"], pd.concat([one, angle, hips["female"]], axis=1), hips["patient_id"]),
        "settled": (hips["score"], pd.concat([one, angle, hips["other_device"]], axis=1), hips["patient_id"]),
        "mean": (angle, one.to_frame(), hips["patient_id"]),
    }


@pytest.mark.parametrize(
    ("example", "model"),
    [
        ("potthoff_roy_1964", "growth"),
        ("invented_hips", "slope"),
        ("invented_hips", "adjusted"),
        ("invented_hips", "settled"),
        ("invented_hips", "mean"),
    ],
)
def test_against_two_programs_in_r(example, model):
    found, crude = (terms(*designs()[model], correction=name) for name in ("CR2", "CR1"))
    checked = [row for row in expected(example) if row[0].startswith(model + ": ")]
    assert len(checked) >= 6
    for measure, quantity, value, tolerance in checked:
        term = measure.removeprefix(model + ": ")
        row, name = (crude, "standard_error") if quantity.endswith("CR1") else (found, quantity)
        assert row.loc[term, name] == pytest.approx(value, rel=tolerance), (term, quantity)


def test_crude_correction_against_statsmodels():
    rng = np.random.default_rng(3)
    cluster = rng.integers(0, 12, size=30)
    design = drawn_design(rng, cluster)
    outcome = rng.normal(size=30)
    fit = sm.OLS(outcome, design.to_numpy()).fit(cov_type="cluster", cov_kwds={"groups": cluster}, use_t=True)
    found = terms(outcome, design, cluster, correction="CR1")
    assert found["standard_error"].to_numpy() == pytest.approx(np.asarray(fit.bse))
    assert found["p_value"].to_numpy() == pytest.approx(np.asarray(fit.pvalues))


def test_one_hip_each_against_statsmodels_hc2():
    rng = np.random.default_rng(4)
    design, outcome = drawn_design(rng, np.arange(20)), rng.normal(size=20)
    fit = sm.OLS(outcome, design.to_numpy()).fit(cov_type="HC2")
    found = terms(outcome, design, np.arange(20))
    assert found["standard_error"].to_numpy() == pytest.approx(np.asarray(fit.bse))
    assert found["estimate"].to_numpy() == pytest.approx(np.asarray(fit.params))


# by law ---------------------------------------------------------------------------------------------------

clusterings = st.lists(st.integers(1, 3), min_size=5, max_size=10).map(
    lambda sizes: np.repeat(np.arange(len(sizes)), sizes)
)


@settings(max_examples=10, deadline=None)
@given(clusterings, st.integers(0, 1000))
def test_unbiased_where_hips_are_independent_strangers(cluster, seed):
    # The variance is a quadratic form e'Qe of the outcome; with independent errors of spread 1 its mean is
    # the trace of Q, which is the sum of its values at the unit vectors. It must be the true (XᵀX)⁻¹.
    design = drawn_design(np.random.default_rng(seed), cluster)
    units = np.eye(len(cluster))
    mean = sum(terms(unit, design, cluster)["standard_error"].to_numpy() ** 2 for unit in units)
    x = design.to_numpy()
    assert mean == pytest.approx(np.diag(np.linalg.inv(x.T @ x)), rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(clusterings, st.integers(0, 1000))
def test_giving_every_hip_a_twin_with_its_own_values_adds_nothing(cluster, seed):
    rng = np.random.default_rng(seed)
    design, outcome = drawn_design(rng, cluster), rng.normal(size=len(cluster))
    once = terms(outcome, design, cluster)
    twice = terms(np.tile(outcome, 2), pd.concat([design] * 2, ignore_index=True), np.tile(cluster, 2))
    for column in ("estimate", "standard_error", "df"):
        assert twice[column].to_numpy() == pytest.approx(once[column].to_numpy(), rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(clusterings, st.integers(0, 1000), st.floats(0.01, 100), st.floats(-1000, 1000))
def test_unit_zero_order_and_names_of_patients_do_not_matter(cluster, seed, factor, zero):
    rng = np.random.default_rng(seed)
    design, outcome = drawn_design(rng, cluster), rng.normal(size=len(cluster))
    order = rng.permutation(len(cluster))
    other = design.assign(angle=zero + factor * design["angle"]).iloc[order]
    one = terms(outcome, design, cluster).loc["angle"]
    two = terms(outcome[order], other, [f"patient {-code}" for code in cluster[order]]).loc["angle"]
    assert two["estimate"] * factor == pytest.approx(one["estimate"], rel=1e-5, abs=1e-8)
    assert two["standard_error"] * factor == pytest.approx(one["standard_error"], rel=1e-5)
    assert two["df"] == pytest.approx(one["df"], rel=1e-5)


@settings(max_examples=30, deadline=None)
@given(clusterings, st.integers(0, 1000))
def test_degrees_of_freedom_never_exceed_the_patients(cluster, seed):
    rng = np.random.default_rng(seed)
    df = terms(rng.normal(size=len(cluster)), drawn_design(rng, cluster), cluster)["df"]
    assert (df >= 1 - 1e-6).all()
    assert (df <= cluster.max() + 1 + 1e-6).all()


# by recovery ----------------------------------------------------------------------------------------------


def test_intervals_hold_the_true_slope_in_95_of_100_cohorts():
    # 40 patients, 30 % with two hips, correlation 0.7 within a patient in exposure and error; the long run
    # (1000 cohorts and other sizes) is in tests/simulations.
    rng = np.random.default_rng(2031)
    held = naive = 0
    for _ in range(300):
        cluster = np.repeat(np.arange(40), 1 + (rng.random(40) < 0.3))
        exposure, error = (
            np.sqrt(0.7) * rng.normal(size=40)[cluster] + np.sqrt(0.3) * rng.normal(size=len(cluster))
            for _ in range(2)
        )
        outcome = 0.5 * exposure + error
        design = pd.DataFrame({"intercept": 1.0, "slope": exposure})
        row = terms(outcome, design, cluster).loc["slope"]
        held += row["ci_low"] <= 0.5 <= row["ci_high"]
        plain = stats.linregress(exposure, outcome)
        naive += abs(plain.slope - 0.5) <= stats.t.ppf(0.975, len(cluster) - 2) * plain.stderr
    assert 0.93 <= held / 300 <= 0.97
    assert naive < held


# by failure -----------------------------------------------------------------------------------------------

DESIGN = pd.DataFrame({"intercept": 1.0, "angle": [1.0, 2, 3, 4, 5, 7]})


@pytest.mark.parametrize(
    ("outcome", "design", "cluster", "match"),
    [
        (range(5), DESIGN, range(6), "5, 6, 6 rows"),
        ([1, 2, 3, 4, 5, np.nan], DESIGN, range(6), "finite values"),
        (range(6), DESIGN.assign(twice=2 * DESIGN["angle"]), range(6), "Leave out a covariate"),
        (range(6), DESIGN.assign(still=3.0), range(6), "cannot be told apart"),
        (range(3), DESIGN[:3].assign(square=[1, 4, 9]), range(3), "more rows than terms"),
    ],
)
def test_wrong_input(outcome, design, cluster, match):
    with pytest.raises(StudyError, match=match):
        clustered_regression(outcome, design, cluster)


def test_unknown_correction():
    with pytest.raises(StudyError, match="one of 'CR2', 'CR1'"):
        clustered_regression(range(6), DESIGN, range(6), correction="CR3")
