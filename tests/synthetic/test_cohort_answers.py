"""The invented answers and the effects put into them."""

import numpy as np
import pandas as pd
import pytest

from cohortlib.errors import StudyError
from cohortlib.synthetic import answers, cohort
from cohortlib.synthetic.hips import hip_table

SEEDS = range(100)


@pytest.fixture(scope="module")
def cohorts():
    """A hundred cohorts: one row a patient and visit, with the latent score and what should explain it."""
    tables = []
    for seed in SEEDS:
        patients = cohort.patient_table(seed=seed)
        hips = hip_table(patients, seed=seed)
        visits = cohort.visit_table(patients, seed=seed)
        latent = answers.latent_scores(patients, hips, visits, seed=seed)
        surfaced = hips["arm"].eq("resurfacing").groupby(hips["patient_id"]).mean().rename("surfaced")
        explained = latent.join(answers.cup_distance_deg(hips), on="patient_id").join(
            surfaced, on="patient_id"
        )
        tables.append(explained.assign(seed=seed))
    return pd.concat(tables, ignore_index=True)


@pytest.fixture(scope="module")
def forms(cohorts):
    """Answers of twelve cohorts, one row a form: 12 columns of answers, and their sum."""
    tables = []
    for seed in range(12):
        rows = answers.answer_table(cohorts[cohorts["seed"] == seed], seed=seed)
        tables.append(rows.assign(seed=seed))
    wide = pd.concat(tables).pivot(index=["seed", "patient_id", "visit_id"], columns="item", values="answer")
    return wide.astype(float)


def sums(forms, visit):
    return forms.xs(visit, level="visit_id").dropna().sum(axis=1)


# ---------------------------------------------------------------- by hand


def test_distance_is_the_mean_over_the_hips_of_a_patient():
    hips = pd.DataFrame(
        {
            "patient_id": ["P1", "P1", "P2"],
            "inclination_deg": [45.0, 42.0, 42.0],
            "anteversion_deg": [20.0, 16.0, 6.0],
        }
    )
    assert answers.cup_distance_deg(hips).to_dict() == {"P1": 2.5, "P2": 10.0}  # (5 + 0) / 2


def test_a_latent_score_far_beyond_the_ends_gives_the_ends():
    latent = pd.DataFrame(
        {"patient_id": ["P1", "P2"], "visit_id": "month_12", "latent_score": [120.0, -60.0]}
    )
    table = answers.answer_table(latent, seed=1)
    assert len(table) == 24
    assert table["item"].tolist() == [*range(1, 13)] * 2
    assert table.groupby("patient_id")["answer"].unique().map(list).to_dict() == {"P1": [4], "P2": [0]}


# ---------------------------------------------------------------- by reference


def test_before_the_operation_the_mean_is_that_of_a_large_series(forms):
    """19.7 (SD 8.2) in 2341 patients: Is rationing of total hip arthroplasty justified?

    Bone Jt Open 2022;3:196-204.
    """
    before = sums(forms, "before")
    assert before.mean() == pytest.approx(19.7, abs=1.0)
    assert before.std() == pytest.approx(8.2, abs=1.0)


def test_the_ceiling_is_that_of_large_series(forms):
    """Share of best scores (48).

    11.6 % of 69 361 forms at 6 months, 15.3 % at the age of 50 to 59 (national audit of England and Wales,
    BMJ Open 2015, journal from memory); 21.8 % at 1 year (Eur J Orthop Surg Traumatol 2025;35:54, n 7871).
    """
    assert 0.08 < (sums(forms, "month_6") == 48).mean() < 0.17
    assert 0.10 < (sums(forms, "month_12") == 48).mean() < 0.22
    assert (sums(forms, "before") == 48).mean() == 0


def test_the_items_belong_together(forms):
    """Cronbach's alpha 0.89 (Bone Jt Open 2021;2:765-72) to 0.99 (Bone Joint Res 2012;1:225-33)."""
    items = forms.xs("month_12", level="visit_id").dropna()
    alpha = 12 / 11 * (1 - items.var().sum() / items.sum(axis=1).var())
    assert 0.89 < alpha < 0.99


# ---------------------------------------------------------------- by law


def test_a_cup_moved_away_lowers_the_score_by_the_slope():
    patients = cohort.patient_table(seed=3)
    hips = hip_table(patients, seed=3)
    visits = cohort.visit_table(patients, seed=3)
    first, second = patients.loc[patients["n_hips"].eq(1), "patient_id"].iloc[:2]
    moved = hips.assign(
        inclination_deg=hips["inclination_deg"].mask(hips["patient_id"].eq(first), 62.0),
        anteversion_deg=hips["anteversion_deg"].mask(hips["patient_id"].eq(first), 16.0),
    )
    was, is_now = (
        answers.latent_scores(patients, table, visits, seed=3).set_index(["visit_id", "patient_id"])[
            "latent_score"
        ]
        for table in (hips, moved)
    )
    change = (is_now - was).unstack()
    added_deg = 20.0 - answers.cup_distance_deg(hips)[first]
    after = change.drop(index="before")
    assert (after[first] - after[second]).dropna().to_numpy() == pytest.approx(-0.15 * added_deg, abs=0.03)
    assert change.loc["before"].dropna().eq(0).all()


def test_a_form_does_not_depend_on_the_other_forms(cohorts):
    latent = cohorts[cohorts["seed"] == 0]
    whole = answers.answer_table(latent, seed=0)
    part = answers.answer_table(latent.iloc[50:], seed=0)
    expected = whole.merge(part[["patient_id", "visit_id"]].drop_duplicates())
    pd.testing.assert_frame_equal(part, expected)


def test_answers_stay_within_nought_and_four(forms):
    values = forms.to_numpy()
    assert set(np.unique(values[~np.isnan(values)])) == {0, 1, 2, 3, 4}


# ---------------------------------------------------------------- by recovery


def test_plain_regression_finds_the_slope_and_the_effect_of_the_arm(cohorts):
    """The mean over a hundred cohorts of least-squares fits lies within three of its standard errors."""
    fits = []
    for _, rows in cohorts[cohorts["visit_id"] == "month_12"].groupby("seed"):
        known = np.column_stack([np.ones(len(rows)), rows["cup_distance_deg"], rows["surfaced"]])
        fits.append(np.linalg.lstsq(known, rows["latent_score"], rcond=None)[0])
    _, slope, arm = np.mean(fits, axis=0)
    _, slope_error, arm_error = np.std(fits, axis=0, ddof=1) / np.sqrt(len(fits))
    assert slope_error < 0.045  # so that a slope of 0 would be found out
    assert arm_error < 0.25
    assert slope == pytest.approx(answers.CUP_SLOPE, abs=3 * slope_error)
    assert arm == pytest.approx(answers.ARM_EFFECT, abs=3 * arm_error)


def test_latent_scores_have_the_mean_the_spread_and_the_person_put_in(cohorts):
    wide = cohorts.pivot(index=["seed", "patient_id"], columns="visit_id", values="latent_score")
    for visit, (mean, sd, _) in answers.LATENT.items():
        assert wide[visit].mean() == pytest.approx(mean, abs=0.4)
        assert wide[visit].std() == pytest.approx(sd, abs=0.3)
    assert wide["before"].corr(wide["month_12"]) == pytest.approx(0.5 * 0.85, abs=0.04)
    assert wide["month_6"].corr(wide["month_12"]) == pytest.approx(0.85**2, abs=0.03)


def test_forms_and_answers_are_missing_as_often_as_put_in(cohorts, forms):
    missing = forms.isna().sum(axis=1)
    assert len(forms) / cohorts["seed"].lt(12).sum() == pytest.approx(1 - answers.FORM_LOST, abs=0.008)
    assert missing.between(1, 2).mean() == pytest.approx(answers.FEW_MISSING, abs=0.015)
    assert missing.between(3, 6).mean() == pytest.approx(answers.MANY_MISSING, abs=0.01)
    assert missing.max() <= 6


# ---------------------------------------------------------------- by failure


def test_a_negative_seed_is_refused(cohorts):
    with pytest.raises(StudyError, match="a whole number, 0 or more"):
        answers.answer_table(cohorts.head(1), seed=-3)
