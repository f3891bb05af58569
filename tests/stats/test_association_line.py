import doctest

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from stats_reference import reference

from cohortlib.errors import StudyError
from cohortlib.stats import association_line as module
from cohortlib.stats.association import association
from cohortlib.stats.association_line import association_line

NAMES = {"outcome": "score", "exposure": "inclination", "cluster": "patient_id"}


def hips(inclination, score, patients=None, **columns):
    table = pd.DataFrame({"inclination": inclination, "score": score, **columns})
    table["patient_id"] = [f"p{i}" for i in range(len(table))] if patients is None else list(patients)
    return table.assign(hip_id=[f"h{i}" for i in range(len(table))])


def line(table, at, **options):
    return association_line(table, at=at, **{**NAMES, "unit_of_analysis": "hip", **options})


def invented():
    return reference("invented_hips").assign(sex=lambda t: t["female"].map({0: "male", 1: "female"}))


# by hand --------------------------------------------------------------------------------------------------


def test_points_on_a_line_are_met_exactly():
    found = line(hips([40, 42, 44, 46], [48, 47, 46, 45]), [40, 43, 46])
    assert found["estimate"].to_numpy() == pytest.approx([48, 46.5, 45])
    assert found["ci_high"].to_numpy() == pytest.approx(found["ci_low"].to_numpy(), abs=1e-6)


def test_line_runs_through_the_means():
    table = hips([40, 42, 44, 46, 48], [48, 46.5, 44, 41.5, 40])
    found = line(table, [44, 40]).set_index("inclination")["estimate"]
    assert found[44] == pytest.approx(44)  # mean of both
    assert found[40] == pytest.approx(44 + 4 * 42 / 40)  # slope −42/40, as for the slope by hand


def test_two_places_are_two_group_means_with_their_own_intervals():
    # An exposure of two values: the line meets both group means, and at each the leverage-corrected error is
    # that of its group alone, s/√n with n − 1 degrees of freedom.
    first, second = np.array([46.0, 41, 44, 48]), np.array([40.0, 47, 39, 42, 36])
    found = line(hips([40] * 4 + [50] * 5, np.concatenate([first, second])), [40, 50])
    for row, group in zip(found.to_dict("records"), (first, second), strict=True):
        low, high = stats.t.interval(0.95, len(group) - 1, group.mean(), stats.sem(group))
        assert (row["ci_low"], row["estimate"], row["ci_high"]) == pytest.approx((low, group.mean(), high))
        assert row["df"] == pytest.approx(len(group) - 1)


def test_a_second_hip_with_the_same_values_adds_no_certainty():
    one = hips([40, 43, 44, 47, 48, 52], [48, 45, 46, 40, 42, 38])
    both = pd.concat([one, one.assign(hip_id=one["hip_id"] + "b")], ignore_index=True)
    pd.testing.assert_frame_equal(line(both, [41, 46, 52]), line(one, [41, 46, 52]))


@pytest.mark.parametrize(
    "table",
    [
        hips([40, 44, 46, 50], [48, 44, 43, 40], ["a", "a", "b", "b"]),
        hips([44, 44, 44, 44], [48, 44, 43, 40]),
        hips([40, 41, 42, 44], [48, 48, 48, 48]),
        hips([], []),
    ],
)
def test_where_there_is_no_slope_there_is_no_line(table):
    found = line(table, [44.0])
    assert found["inclination"].tolist() == [44]
    assert found.drop(columns="inclination").isna().to_numpy().all()


# by reference ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("covariates", [[], ["female"]])
def test_one_hip_each_against_statsmodels_hc2(covariates):
    table = invented().drop_duplicates("patient_id")
    places = np.linspace(table["inclination"].min(), table["inclination"].max(), 7)
    names = ["inclination", *covariates]
    fit = sm.OLS(table["score"], sm.add_constant(table[names].astype(float))).fit(cov_type="HC2")
    new = pd.DataFrame({"const": 1.0, "inclination": places, **{c: table[c].mean() for c in covariates}})
    wanted = fit.get_prediction(new)
    found = line(table, places, covariates=covariates)
    assert found["estimate"].to_numpy() == pytest.approx(np.asarray(wanted.predicted_mean))
    assert found["standard_error"].to_numpy() == pytest.approx(np.asarray(wanted.se_mean))


# by law ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("covariates", "unit_of_analysis"), [([], "hip"), (["sex"], "hip"), (["age"], "hip"), ([], "patient")]
)
def test_slope_is_that_of_the_association(covariates, unit_of_analysis):
    table = invented().assign(age=lambda t: 50 + t.groupby("patient_id").ngroup() % 17)
    table["score"] = table.groupby("patient_id")["score"].transform("mean")
    model = {"covariates": covariates, "unit_of_analysis": unit_of_analysis}
    slope = association(table, **NAMES, **model, primary=True, unit="1/deg")["estimate"].iloc[0]
    found = line(table, [40.0, 41.0, 46.0], **model)
    assert np.diff(found["estimate"]) == pytest.approx([slope, 5 * slope])


def test_covariates_are_held_at_their_mean():
    table = invented()
    middle = table["inclination"].mean()
    for covariates in ([], ["female"], ["sex"]):
        found = line(table, [middle], covariates=covariates)
        assert found["estimate"].iloc[0] == pytest.approx(table["score"].mean())


@settings(max_examples=10, deadline=None)
@given(st.floats(0.1, 10), st.floats(-50, 50), st.randoms(use_true_random=False))
def test_unit_zero_and_order_do_not_matter(factor, zero, random):
    table = invented()
    other = table.assign(inclination=zero + factor * table["inclination"], score=3 * table["score"] + 1)
    one = line(table, [40.0, 47.0])
    shuffled = other.sample(frac=1, random_state=random.randrange(1000))
    two = line(shuffled, [zero + factor * 40, zero + factor * 47])
    for column in ("estimate", "ci_low", "ci_high"):
        assert two[column].to_numpy() == pytest.approx(3 * one[column].to_numpy() + 1)
    assert two["df"].to_numpy() == pytest.approx(one["df"].to_numpy())


def test_example():
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0


# by recovery ----------------------------------------------------------------------------------------------


def test_band_holds_the_true_mean_in_95_of_100_cohorts():
    # 40 patients, 30 % with two hips, correlation 0.7 within a patient in exposure and error; in the
    # middle and near an edge of the exposures.
    rng = np.random.default_rng(2032)
    held = np.zeros(2)
    for _ in range(200):
        of_hip = np.repeat(np.arange(40), 1 + (rng.random(40) < 0.3))
        exposure, error = (
            np.sqrt(0.7) * rng.normal(size=40)[of_hip] + np.sqrt(0.3) * rng.normal(size=len(of_hip))
            for _ in range(2)
        )
        table = hips(exposure, 2 - 0.5 * exposure + error, of_hip.astype(str))
        found = line(table, np.quantile(exposure, [0.5, 0.95]))
        truth = 2 - 0.5 * found["inclination"]
        held += ((found["ci_low"] <= truth) & (truth <= found["ci_high"])).to_numpy()
    assert (held / 200 >= 0.91).all()
    assert (held / 200 <= 0.985).all()


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"exposure": "tilt"}, "tilt: found no such column"),
        ({"hip_id": "h1"}, {}, "Keep one visit and one reading of each hip"),
        ({"score": "good"}, {}, "score: found 'good'"),
        ({}, {"unit_of_analysis": "film"}, "one of 'hip', 'patient'"),
        ({}, {"covariates": "sex"}, r"Write covariates=\[\"sex\"\]"),
        ({}, {"covariates": ["inclination"]}, "Leave out a covariate"),
        ({}, {"at": [20.0, 44.0, 90.0]}, r"found 20\.0 \(2 rows\)\. .* as far as the data reach"),
        ({}, {"at": [np.nan]}, "found nan"),
        ({}, {"at": []}, r"found an array of shape \(0,\)"),
        ({}, {"at": [[44.0]]}, r"found an array of shape \(1, 1\)"),
        ({}, {"unit_of_analysis": "patient"}, "score: found different values in patient"),
    ],
)
def test_wrong_input(change, options, match):
    with pytest.raises(StudyError, match=match):
        association_line(
            invented().assign(**change), **{**NAMES, "unit_of_analysis": "hip", "at": [44.0], **options}
        )
