import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stats_reference import expected, reference

from cohortlib.errors import StudyError
from cohortlib.stats.association import ASSOCIATION_COLUMNS, association
from cohortlib.tables import ESTIMATE_COLUMNS

NAMES = {"outcome": "score", "exposure": "inclination", "cluster": "patient_id"}
OPTIONS = {**NAMES, "unit_of_analysis": "hip", "primary": True, "unit": "1/deg"}


def hips(inclination, score, patients=None, **columns):
    table = pd.DataFrame({"inclination": inclination, "score": score, **columns})
    table["patient_id"] = [f"p{i}" for i in range(len(table))] if patients is None else list(patients)
    return table.assign(hip_id=[f"h{i}" for i in range(len(table))])


def slope(table, **options):
    return association(table, **{**OPTIONS, **options}).iloc[0]


def invented():
    return reference("invented_hips").assign(sex=lambda t: t["female"].map({0: "male", 1: "female"}))


# by hand --------------------------------------------------------------------------------------------------


def test_a_point_on_the_line_a_patient():
    row = slope(hips([40, 42, 44, 46, 48], [48, 46.5, 44, 41.5, 40]))
    # Deviations −4 −2 0 2 4 and 4 2.5 0 −2.5 −4: sum of products −42, sum of squares 40.
    assert row["estimate"] == pytest.approx(-42 / 40)
    assert (row["n_patients"], row["n_hips"], row["n_two_hips"], row["n_missing"]) == (5, 5, 0, 0)
    assert np.isnan(row["exposure_within_patient"])


def test_a_second_hip_with_the_same_values_adds_no_certainty():
    one = hips([40, 43, 44, 47, 48, 52], [48, 45, 46, 40, 42, 38])
    both = pd.concat([one, one.assign(hip_id=one["hip_id"] + "b")], ignore_index=True)
    for column in ("estimate", "ci_low", "ci_high", "df"):
        assert slope(both)[column] == pytest.approx(slope(one)[column])
    assert slope(both)[["n_patients", "n_hips", "n_two_hips"]].tolist() == [6, 12, 6]
    assert slope(both)["exposure_within_patient"] == pytest.approx(1)
    assert slope(both)["residual_within_patient"] == pytest.approx(1)


def test_the_patient_as_unit_averages_his_hips():
    table = hips([38, 44, 41, 47, 52], [46, 46, 44, 43, 39], ["a", "a", "b", "c", "d"])
    by_patient = slope(table, unit_of_analysis="patient")
    by_hand = slope(hips([41, 41, 47, 52], [46, 44, 43, 39]))
    for column in ("estimate", "ci_low", "ci_high"):
        assert by_patient[column] == pytest.approx(by_hand[column])
    assert by_patient[["n_patients", "n_hips", "n_two_hips"]].tolist() == [4, 5, 1]


def test_hips_without_a_value_are_counted():
    table = hips([40, 42, 44, 47, np.nan], [48, 46, 44, np.nan, 40])
    row = slope(table)
    assert (row["n_hips"], row["n_missing"]) == (3, 2)
    assert "2 hips left out for want of a value" in row["note"]


@pytest.mark.parametrize(("primary", "said"), [(True, False), (False, True)])
def test_what_was_not_named_primary_is_exploratory(primary, said):
    row = slope(hips([40, 42, 44, 46], [48, 46, 44, 43]), primary=primary)
    assert ("exploratory" in row["note"]) is said


def test_few_degrees_of_freedom_are_named():
    assert "do not trust" in slope(hips([40, 42, 44, 46], [48, 46, 44, 43]))["note"]


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (hips([40, 44], [48, 44]), "no estimate from 2 patients"),
        (hips([40, 44, 46, 50], [48, 44, 43, 40], ["a", "a", "b", "b"]), "no estimate from 2 patients"),
        (hips([40, 40, 40, 40], [48, 44, 43, 40]), "does not vary"),
        (hips([40, 41, 42, 43], [48, 48, 48, 48]), "does not vary"),
        (hips([], []), "no estimate from 0 patients"),
    ],
)
def test_too_few_or_flat_give_no_number(table, said):
    row = slope(table)
    assert row[["estimate", "ci_low", "ci_high", "p_value"]].isna().all()
    assert said in row["note"]


# by reference ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("model", "options"),
    [
        ("slope", {}),
        ("adjusted", {"covariates": ["female"]}),
        ("adjusted", {"covariates": ["sex"]}),
        ("settled", {"covariates": ["other_device"]}),
        ("patient", {"unit_of_analysis": "patient"}),
    ],
)
def test_slope_against_r(model, options):
    table = invented()
    if model == "patient":  # the score of a patient is one number; the invented file gives one a hip
        table["score"] = table.groupby("patient_id")["score"].transform("mean")
    row = slope(table, **options)
    for _, quantity, value, tolerance in expected("invented_hips", f"{model}: inclination"):
        if quantity in row.index:
            assert row[quantity] == pytest.approx(value, rel=tolerance), quantity


# by law ---------------------------------------------------------------------------------------------------


@settings(max_examples=10, deadline=None)
@given(st.floats(0.1, 10), st.floats(-50, 50), st.randoms(use_true_random=False))
def test_unit_zero_and_order_do_not_matter(factor, zero, random):
    table = invented()
    other = table.assign(inclination=zero + factor * table["inclination"], score=3 * table["score"])
    one = slope(table)
    two = slope(other.sample(frac=1, random_state=random.randrange(1000)))
    assert two["estimate"] == pytest.approx(one["estimate"] * 3 / factor)
    assert two["ci_low"] == pytest.approx(one["ci_low"] * 3 / factor)
    assert two["df"] == pytest.approx(one["df"])
    assert two["residual_within_patient"] == pytest.approx(one["residual_within_patient"])


def test_columns_are_those_of_an_estimate():
    table = association(invented(), **OPTIONS)
    assert tuple(table.columns) == ASSOCIATION_COLUMNS
    assert tuple(table.columns[-len(ESTIMATE_COLUMNS) :]) == ESTIMATE_COLUMNS


# by recovery ----------------------------------------------------------------------------------------------


def test_known_slope_and_correlations_are_found_again():
    rng = np.random.default_rng(9)
    of_hip = np.repeat(np.arange(400), 2)
    shared = {name: np.sqrt(0.7) * rng.normal(size=400)[of_hip] for name in ("x", "e")}
    exposure, error = (shared[name] + np.sqrt(0.3) * rng.normal(size=800) for name in ("x", "e"))
    age = rng.normal(65, 8, size=400)[of_hip]
    table = hips(exposure + 0.05 * age, -0.5 * exposure + error - 0.1 * age, of_hip.astype(str), age=age)
    row = slope(table, covariates=["age"])
    assert row["estimate"] == pytest.approx(-0.5, abs=3 * row["standard_error"])
    assert row["standard_error"] < 0.06
    assert row["residual_within_patient"] == pytest.approx(0.7, abs=0.08)


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"exposure": "tilt"}, "tilt: found no such column"),
        ({"hip_id": "h1"}, {}, "Keep one visit and one reading of each hip"),
        ({"score": "good"}, {}, "score: found 'good'"),
        ({"patient_id": None}, {}, "patient_id: found no value"),
        ({}, {"unit_of_analysis": "film"}, "one of 'hip', 'patient'"),
        ({}, {"covariates": "age"}, r"Write covariates=\[\"age\"\]"),
        ({}, {"covariates": ["inclination"]}, "Leave out a covariate"),
        ({"arm": "one"}, {"covariates": ["arm", "steepness"]}, "steepness: found no such column"),
        (
            {"arm": "one"},
            {"covariates": ["arm"]},
            "arm: found 'one' .19 rows.. Expected at least two categories",
        ),
        ({"arm": 1}, {"covariates": ["arm"]}, "Leave out a covariate"),
        ({"hip_id": None}, {}, "hip_id: found no value"),
        ({}, {"unit_of_analysis": "patient"}, "score: found different values in patient P02"),
    ],
)
def test_wrong_input(change, options, match):
    with pytest.raises(StudyError, match=match):
        association(invented().assign(**change), **{**OPTIONS, **options})


def test_a_category_that_differs_between_hips_is_no_property_of_the_patient():
    table = hips([40, 44, 46, 50, 51], [46, 46, 43, 40, 41], list("aabcd"), arm=["x", "y", "x", "y", "y"])
    with pytest.raises(StudyError, match="arm: found different values in patient a"):
        slope(table, covariates=["arm"], unit_of_analysis="patient")
