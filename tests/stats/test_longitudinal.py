import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from bone_rows import cohort_rows
from stats_reference import reference

from cohortlib.errors import StudyError
from cohortlib.stats.change import change_from_baseline
from cohortlib.stats.clustered import clustered_regression
from cohortlib.stats.longitudinal import last_visit_difference, visit_differences, with_corrected_zones
from cohortlib.stats.longitudinal.mixed import mixed_fit

ARMS = {"comparator": "old", "unit": "g/cm2"}


def cohort(seed, **options):
    """Changes of one zone."""
    rows = cohort_rows(np.random.default_rng(seed), **({"patients": 40, "zones": 1, "visits": 4} | options))
    arms = rows.drop_duplicates("hip_id").set_index("hip_id")["arm"]
    found = change_from_baseline(rows, value="bmd", by=["zone"], baseline="week_1")
    return found.assign(arm=found["hip_id"].map(arms))


# by hand --------------------------------------------------------------------------------------------------


def test_equal_baselines_leave_the_difference_of_means():
    table = cohort(1).query("visit_id == 'month_24'").assign(baseline_value=1.0)
    table["baseline_value"] += np.tile([0.01, -0.01], len(table))[: len(table)]
    row = last_visit_difference(table, visit_id="month_24", **ARMS).iloc[0]
    rows = table.assign(intercept=1.0, new=(table["arm"] == "new") * 1.0)
    rows["baseline"] = rows["baseline_value"] - rows["baseline_value"].mean()
    fit = clustered_regression(rows["value"], rows[["intercept", "new", "baseline"]], rows["patient_id"])
    assert row["estimate"] == pytest.approx(fit["estimate"][1])
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((fit["ci_low"][1], fit["ci_high"][1]))
    assert row["n_patients"] == table["patient_id"].nunique()


def test_balanced_rows_have_the_estimates_of_least_squares():
    """Balanced data: whatever the variances, the fixed effects are the differences of means."""
    rng = np.random.default_rng(2)
    patient = pd.Series(np.repeat([f"P{number:02d}" for number in range(20)], 3))
    new = np.repeat(np.arange(20) % 2, 3).astype(float)
    outcome = pd.Series(rng.normal(size=60) + 2 * np.repeat(rng.normal(size=20), 3) + 0.5 * new)
    fit = mixed_fit(outcome, pd.DataFrame({"intercept": np.ones(60), "new": new}), patient)
    means = outcome.groupby(new).mean()
    assert fit.estimate == pytest.approx([means[0], means[1] - means[0]], abs=1e-6)
    of_patient = outcome.groupby(patient.to_numpy()).mean().to_numpy()
    group = np.arange(20) % 2
    spread = sum(of_patient[group == one].var(ddof=1) / 10 for one in (0, 1))
    assert np.sqrt(fit.covariance[1, 1]) == pytest.approx(np.sqrt(spread), rel=1e-4)


# by reference ---------------------------------------------------------------------------------------------


def growth():
    table = reference("potthoff_roy_1964")
    female = 1.0 - table["male"]
    age = table["age_years"].astype(float)
    design = pd.DataFrame({"intercept": 1.0, "age": age, "female": female, "age × female": age * female})
    return table, design


def test_growth_of_children():
    # Fixed effects: R's nlme (Pinheiro JC, Bates DM, Mixed-Effects Models in S and S-PLUS, 2000: Orthodont).
    # Standard errors and variances with a random intercept: lme4's algorithm in the package mixedlm 1.3.0.
    table, design = growth()
    fit = mixed_fit(table["distance_mm"], design, table["subject"])
    assert fit.estimate == pytest.approx([16.340625, 0.784375, 1.032102, -0.304830], abs=1e-5)
    errors = np.sqrt(np.diag(fit.covariance))
    assert (fit.variances["patient"], fit.variances["residual"]) == pytest.approx((3.2986, 1.9221), abs=1e-3)
    assert errors == pytest.approx([0.9813, 0.0775, 1.5374, 0.1214], abs=1e-4)


def test_the_same_as_statsmodels_asked_directly():
    found = cohort(16, patients=90)
    rows = found[found["status"] == "compared"].copy()
    rows["baseline"] = rows["baseline_value"] - rows["baseline_value"].mean()
    rows["value"] *= 1000  # in g/cm2 statsmodels takes every variance for zero
    direct = smf.mixedlm(
        "value ~ 0 + C(visit_id) + C(visit_id):baseline + C(visit_id):C(arm, Treatment('old'))",
        rows,
        groups=rows["patient_id"],
        vc_formula={"hip": "0 + C(hip_id)"},
        re_formula="1",
    ).fit(reml=True, method=["lbfgs"])
    ours = visit_differences(found, **ARMS).set_index("visit_id")
    for visit in ("month_6", "month_12", "month_24"):
        term = f"C(visit_id)[{visit}]:C(arm, Treatment('old'))[T.new]"
        assert ours.loc[visit, "estimate"] == pytest.approx(direct.params[term] / 1000, abs=1e-5)
        assert ours.loc[visit, "standard_error"] == pytest.approx(direct.bse[term] / 1000, rel=1e-3)


# by law ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shift", [-0.3, 1.0])
def test_denser_bone_in_everybody_changes_no_difference(shift):
    found = cohort(6)
    moved = found.assign(value=found["value"] + shift, baseline_value=found["baseline_value"] + shift)
    for one, other in (
        (visit_differences(found, **ARMS), visit_differences(moved, **ARMS)),
        (
            last_visit_difference(found, visit_id="month_24", **ARMS),
            last_visit_difference(moved, visit_id="month_24", **ARMS),
        ),
    ):
        assert one["estimate"].to_numpy() == pytest.approx(other["estimate"].to_numpy(), abs=1e-4)


def test_arms_exchanged_turn_the_sign():
    found = cohort(7)
    there = last_visit_difference(found, visit_id="month_12", comparator="old", unit="1").iloc[0]
    back = last_visit_difference(found, visit_id="month_12", comparator="new", unit="1").iloc[0]
    assert (there["estimate"], there["ci_low"]) == pytest.approx((-back["estimate"], -back["ci_high"]))


# by recovery ----------------------------------------------------------------------------------------------


def test_a_true_difference_is_found_at_every_visit():
    found = cohort(8, patients=150, effect=-0.1)
    rows = visit_differences(found, **ARMS)
    assert rows["visit_id"].tolist() == ["month_6", "month_12", "month_24"]
    assert ((rows["ci_low"] < -0.1) & (rows["ci_high"] > -0.1)).all()
    assert (rows["ci_high"] < 0).all()
    last = last_visit_difference(found, visit_id="month_24", **ARMS).iloc[0]
    assert last["estimate"] == pytest.approx(rows["estimate"].iloc[2], abs=0.02)


def test_a_missed_visit_keeps_the_hip_in_the_mixed_model():
    found = cohort(9)
    gone = (found["hip_id"] == "H3") & (found["visit_id"] == "month_24")
    rows = visit_differences(found[~gone], **ARMS).set_index("visit_id")
    assert rows.loc["month_24", "n_hips"] == rows.loc["month_12", "n_hips"] - 1


# by failure -----------------------------------------------------------------------------------------------


def test_named_zones_first_the_others_corrected_and_stamped():
    table = pd.DataFrame(
        {"zone": list("1234567"), "p_value": [0.2, 0.01, 0.5, 0.04, 0.6, 0.7, 0.03], "note": ""}
    )
    found = with_corrected_zones(table, prespecified=["7", "1"])
    assert found["zone"].tolist() == ["7", "1", "2", "3", "4", "5", "6"]
    assert found["p_corrected"].tolist() == pytest.approx([0.03, 0.2, 0.05, 1, 0.16, 1, 1])
    assert found["note"].tolist() == [""] * 2 + ["exploratory"] * 5


def test_zone_1_of_the_cup_is_not_zone_1_of_the_stem():
    table = pd.DataFrame(
        {"zone_system": ["cup_3", "stem_7"], "zone": ["1", "1"], "p_value": [0.01, 0.02], "note": ""}
    )
    found = with_corrected_zones(table, prespecified=["1"], zone_system="stem_7")
    assert found["zone_system"].tolist() == ["stem_7", "cup_3"]
    assert found["prespecified"].tolist() == [True, False]
    assert found["note"].tolist() == ["", "exploratory"]
    with pytest.raises(StudyError, match="zone 1 of the cup is not zone 1 of the stem"):
        with_corrected_zones(table, prespecified=["1"])


def test_too_few_patients_give_a_reason():
    few = cohort(10, patients=3)
    row = last_visit_difference(few, visit_id="month_12", **ARMS).iloc[0]
    assert np.isnan(row["estimate"])
    assert "no estimate" in row["note"]
    assert visit_differences(few, **ARMS)["estimate"].isna().all()


def test_hips_that_could_not_be_compared_are_counted():
    found = cohort(11)
    lost = (found["hip_id"] == "H0") & (found["visit_id"] == "month_12")
    found.loc[lost, ["status", "change"]] = ("device changed", np.nan)
    row = last_visit_difference(found, visit_id="month_12", **ARMS).iloc[0]
    assert row["n_left_out"] == 1
    assert row["note"] == "1 hip without a change, left out"


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: last_visit_difference(cohort(1), visit_id="month_9", **ARMS), "visit_id: found 'month_9'"),
        (
            lambda: last_visit_difference(cohort(1), visit_id="month_12", comparator="older", unit="1"),
            "comparator: found 'older'",
        ),
        (lambda: visit_differences(pd.concat([cohort(1)] * 2), **ARMS), "one zone of one side at a time"),
        (
            lambda: with_corrected_zones(
                pd.DataFrame({"zone": ["1"], "p_value": [0.1], "note": [""]}), prespecified=["8"]
            ),
            "zone: found '8'",
        ),
    ],
)
def test_refused_in_words(call, match):
    with pytest.raises(StudyError, match=match):
        call()
