import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from stats_reference import expected, reference
from statsmodels.regression.mixed_linear_model import MixedLM

from cohortlib.errors import StudyError
from cohortlib.stats.agreement import intraclass_correlation
from cohortlib.stats.agreement.mean_squares import (
    mean_squares,
    parts_of_squares,
    readings_by_rater,
    summed_mean_squares,
)

NAMES = {"subject": "subject", "rater": "rater", "value": "value"}


def long_table(values, patients=None):
    """Subjects × raters as one row a reading."""
    values = np.asarray(values, dtype=float)
    n, k = values.shape
    patients = np.arange(n) if patients is None else np.asarray(patients)
    return pd.DataFrame(
        {
            "subject": np.repeat(np.arange(n), k),
            "rater": np.tile(np.arange(k), n),
            "value": values.ravel(),
            "patient_id": np.repeat(patients, k),
        }
    )


def forms(table, **options):
    return intraclass_correlation(table, **NAMES, **options).set_index("form")


# by hand --------------------------------------------------------------------------------------------------


def test_readers_who_agree_wholly():
    table = forms(long_table([[40, 40], [45, 45], [52, 52]]))
    assert table["estimate"].tolist() == pytest.approx([1] * 6)
    assert table["ci_low"].isna().all()
    assert "no disagreement left" in table["note"].iloc[0]


def test_a_steady_shift_is_forgiven_by_the_third_form_only():
    table = forms(long_table([[40, 45], [45, 50], [52, 57], [60, 65]]))
    assert table.loc["ICC(3,1)", "estimate"] == pytest.approx(1)
    # Between 2·s² with s² = 226.75/3 (values 40 45 52 60), raters 4·25/2 = 50, error 0:
    # ICC(2,1) = 151.17 / (151.17 + 2·50/4).
    assert table.loc["ICC(2,1)", "estimate"] == pytest.approx(151.1667 / 176.1667, abs=1e-6)


def test_readers_who_contradict_each_other_get_no_impossible_number():
    # Between 1/3, error 7/3, raters 0.67: ICC(2,1) would be −2 and ICC(2,k) +4.
    table = forms(long_table([[0, 2], [1, 0], [1, 0]]))
    assert np.isnan(table.loc["ICC(2,1)", "estimate"])
    assert np.isnan(table.loc["ICC(2,k)", "ci_low"])
    assert table.loc["ICC(3,1)", "estimate"] == pytest.approx(-0.8)
    assert "leaves the range" in table["note"].iloc[0]


def test_an_incomplete_subject_is_left_out_and_counted():
    table = long_table([[40, 41], [45, 44], [52, 50], [47, 48]])
    whole = forms(table[table["subject"] < 3])
    table.loc[table.index[-1], "value"] = np.nan
    lacking = forms(table)
    assert lacking["estimate"].tolist() == whole["estimate"].tolist()
    assert lacking["n_left_out"].tolist() == [1] * 6
    assert lacking["n_subjects"].tolist() == [3] * 6
    assert lacking["note"].iloc[0].startswith("1 subject left out")


@pytest.mark.parametrize("values", [[[40, 41], [45, 44]], [[40], [41], [42]], np.empty((0, 2))])
def test_too_few_give_no_number(values):
    table = forms(long_table(values))
    assert table["estimate"].isna().all()
    assert "no estimate" in table["note"].iloc[0]


def test_every_form_says_what_it_means():
    table = forms(long_table([[40, 41], [45, 44], [52, 50]]))
    assert table["meaning"].str.len().min() > 40
    assert table["meaning"].is_unique


# by reference ---------------------------------------------------------------------------------------------


def test_shrout_and_fleiss_1979():
    table = forms(reference("shrout_fleiss_1979"))
    checked = expected("shrout_fleiss_1979")
    for form, quantity, value, tolerance in checked:
        if form != "mean squares":
            assert table.loc[form, quantity] == pytest.approx(value, abs=tolerance), (form, quantity)
    readings = readings_by_rater(reference("shrout_fleiss_1979"), **NAMES, cluster=None)
    squares = mean_squares(readings.values)._asdict()
    for _, quantity, value, tolerance in expected("shrout_fleiss_1979", "mean squares"):
        assert squares[quantity] == pytest.approx(value, abs=tolerance)


def test_variance_components_of_a_mixed_model():
    # statsmodels MixedLM (restricted maximum likelihood) equals the analysis of variance where the table is
    # balanced. Its default optimiser stops early: a second one, and converged, are required.
    table = reference("shrout_fleiss_1979")
    design, parts = np.ones(len(table)), {"subject": "0 + C(subject)", "rater": "0 + C(rater)"}
    model = MixedLM.from_formula("value ~ 1", table.assign(all=1), groups=design, vc_formula=parts)
    fit = model.fit(method=["lbfgs", "powell"])
    assert fit.converged
    variance = dict(zip(fit.model.exog_vc.names, fit.vcomp, strict=True))
    total = variance["subject"] + variance["rater"] + fit.scale
    consistency = variance["subject"] / (variance["subject"] + fit.scale)
    found = forms(table)["estimate"]
    assert found["ICC(2,1)"] == pytest.approx(variance["subject"] / total, abs=2e-4)
    assert found["ICC(3,1)"] == pytest.approx(consistency, abs=2e-4)


# by law ---------------------------------------------------------------------------------------------------

readings = arrays(float, st.tuples(st.integers(3, 8), st.integers(2, 4)), elements=st.floats(-20, 20)).filter(
    lambda a: mean_squares(a).error > 1e-3 and mean_squares(a).between > 1e-3
)


positive = readings.filter(lambda a: mean_squares(a).between > mean_squares(a).within)


@settings(max_examples=25, deadline=None)
@given(positive, st.floats(-100, 100), st.floats(0.1, 10))
def test_unit_zero_and_order_do_not_matter(values, zero, factor):
    table = long_table(values)
    other = table.assign(value=zero + factor * table["value"]).sample(frac=1, random_state=1)
    for column in ("estimate", "ci_low", "ci_high"):
        expected_values = forms(table)[column].to_numpy()
        assert forms(other)[column].to_numpy() == pytest.approx(
            expected_values, rel=1e-6, abs=1e-6, nan_ok=True
        )


@settings(max_examples=25, deadline=None)
@given(readings)
def test_no_form_leaves_the_range_of_a_correlation(values):
    table = forms(long_table(values))
    single = table["estimate"].iloc[:3].dropna()
    assert (single <= 1 + 1e-9).all()
    assert (single >= -1 / (values.shape[1] - 1) - 1e-9).all()
    bounds = table[["ci_low", "ci_high"]].iloc[:3]
    assert not (bounds < -1 / (values.shape[1] - 1) - 1e-9).any(axis=None)
    assert not (bounds > 1 + 1e-9).any(axis=None)
    assert not (table["estimate"] > 1 + 1e-9).any()


@settings(max_examples=25, deadline=None)
@given(positive)
def test_a_positive_estimate_lies_in_its_interval(values):
    table = forms(long_table(values)).loc[["ICC(1,1)", "ICC(3,1)", "ICC(1,k)", "ICC(3,k)"]]
    assert (table["ci_low"] <= table["estimate"] + 1e-9).all()
    assert (table["estimate"] <= table["ci_high"] + 1e-9).all()


@settings(max_examples=25, deadline=None)
@given(readings)
def test_sums_of_parts_give_the_same_mean_squares(values):
    summed = summed_mean_squares(parts_of_squares(values).sum(axis=0)[None, :])
    for name, direct in mean_squares(values)._asdict().items():
        assert getattr(summed, name)[0] == pytest.approx(direct, rel=1e-8, abs=1e-8)


# by recovery ----------------------------------------------------------------------------------------------


def test_known_variances_are_found_again():
    rng = np.random.default_rng(5)
    subjects, readers, error = 5 * rng.normal(size=(4000, 1)), np.array([-1.5, 0, 1.5]), 2.0
    table = forms(long_table(subjects + readers + error * rng.normal(size=(4000, 3))))
    assert table.loc["ICC(3,1)", "estimate"] == pytest.approx(25 / 29, abs=0.01)
    assert table.loc["ICC(2,1)", "estimate"] == pytest.approx(25 / (25 + 4 + 2.25), abs=0.01)
    assert table.loc["ICC(3,k)", "estimate"] == pytest.approx(25 / (25 + 4 / 3), abs=0.01)


def test_f_intervals_hold_the_true_value_in_95_of_100_studies():
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(300):
        row = forms(long_table(2 * rng.normal(size=(12, 1)) + rng.normal(size=(12, 2)))).loc["ICC(1,1)"]
        held += row["ci_low"] <= 0.8 <= row["ci_high"]
    assert 0.92 <= held / 300 <= 0.98


def test_drawing_patients_widens_the_interval_of_alike_films():
    rng = np.random.default_rng(7)
    patients = np.repeat(np.arange(30), 4)
    error = np.sqrt(0.9) * rng.normal(size=(30, 2))[patients] + np.sqrt(0.1) * rng.normal(size=(120, 2))
    table = long_table(3 * rng.normal(size=30)[patients, None] + error, patients)
    naive = forms(table, cluster="patient_id").loc["ICC(3,1)"]
    drawn = forms(table, cluster="patient_id", interval="cluster bootstrap", seed=1).loc["ICC(3,1)"]
    assert "draw patients" in naive["note"]
    assert drawn["estimate"] == naive["estimate"]
    assert drawn["ci_high"] - drawn["ci_low"] > 1.4 * (naive["ci_high"] - naive["ci_low"])
    assert drawn["n_clusters"] == 30


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"subject": "film"}, "film: found no such column"),
        ({"rater": 1}, {}, "subject, rater: found 0, 1"),
        ({"value": "forty"}, {}, "value: found 'forty'"),
        ({"subject": None}, {}, "every row to say whose it is"),
        ({"patient_id": range(6)}, {"cluster": "patient_id"}, "every subject to belong to one patient_id"),
        ({}, {"interval": "z"}, "one of 'F', 'cluster bootstrap'"),
        ({}, {"interval": "cluster bootstrap", "cluster": "patient_id"}, "cluster, seed"),
    ],
)
def test_wrong_input(change, options, match):
    table = long_table([[40, 41], [45, 44], [52, 50]]).assign(**change)
    with pytest.raises(StudyError, match=match):
        intraclass_correlation(table, **{**NAMES, **options})
