"""The invented patients, hips and visits."""

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.synthetic import cohort
from cohortlib.synthetic.densitometry import FIRST_VISIT
from cohortlib.synthetic.hips import (
    ARM_INCLINATION_DEG,
    SHARED_IN_PATIENT,
    SURGEON_INCLINATION_DEG,
    hip_table,
)
from cohortlib.synthetic.streams import random_stream, truncated_normal
from cohortlib.synthetic.study_files import SEED

STUDY_TOML = Path(__file__).parents[2] / "synthetic_cohort" / "study.toml"


@pytest.fixture(scope="module")
def definition():
    return tomllib.loads(STUDY_TOML.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def patients():
    return cohort.patient_table(seed=SEED)


@pytest.fixture(scope="module")
def hips(patients):
    return hip_table(patients, seed=SEED)


@pytest.fixture(scope="module")
def visits(patients):
    return cohort.visit_table(patients, seed=SEED)


def labelled(visits, definition):
    """Visits with the window of study.toml and whether they fall outside it."""
    table = visits.merge(pd.DataFrame(definition["visits"]), on="visit_id", validate="many_to_one")
    return table.assign(outside=~table["day"].between(table["earliest_days"], table["latest_days"]))


# ---------------------------------------------------------------- by hand


def test_sixty_patients_seventy_hips_three_surgeons(patients, hips):
    assert len(patients) == 60
    assert len(hips) == 70
    assert patients["patient_id"].tolist()[::59] == ["P001", "P060"]
    assert hips["hip_id"].tolist()[::69] == ["H001", "H070"]
    assert sorted(hips["surgeon_id"].unique()) == ["S1", "S2", "S3"]
    assert patients["arm"].value_counts().to_dict() == {"resurfacing": 30, "short_stem": 30}


def test_ten_patients_have_two_hips_in_one_session(hips):
    both = hips[hips["patient_id"].duplicated(keep=False)].groupby("patient_id")
    assert len(both) == 10
    assert both["side"].agg(set).map(lambda sides: sides == {"left", "right"}).all()
    assert both["surgery_date"].nunique().eq(1).all()
    assert both["surgeon_id"].nunique().eq(1).all()
    assert both["arm"].nunique().eq(2).sum() == 1


def test_share_of_men_in_each_arm(patients):
    men = patients["sex"].eq("male").groupby(patients["arm"]).sum()
    assert men.to_dict() == {"resurfacing": 26, "short_stem": 15}  # 0.85 and 0.5 of 30


def test_the_three_who_left_are_not_seen_again(patients, visits):
    left = patients.dropna(subset="last_day")
    assert sorted(left["left_because"]) == ["death", "withdrawal", "withdrawal"]
    seen = visits.merge(left, on="patient_id")
    assert seen["day"].le(seen["last_day"]).all()
    assert not seen["visit_id"].isin(["month_12", "month_24"]).any()


def test_visits_outside_their_window_are_the_declared_ones(visits, definition):
    outside = labelled(visits, definition).query("outside")["visit_id"].value_counts().to_dict()
    assert outside == {visit: number for visit, (number, _) in cohort.OUTSIDE_WINDOW.items()}


def test_missed_visits_are_the_declared_ones_until_the_data_cut(patients, visits):
    came = visits["visit_id"].value_counts()
    left_before_month_6 = 1
    assert came["before"] == 60 - 1
    assert came["week_6"] == 60 - 1
    assert came["month_6"] == 60 - 5 - left_before_month_6
    assert came["month_24"] < came["month_12"] < came["month_6"] + 1


# ---------------------------------------------------------------- by reference


def test_definition_and_generator_say_the_same(definition, visits, hips):
    """Source: the committed study.toml, written by hand."""
    assert str(definition["data_cut"]) == cohort.DATA_CUT
    assert {arm["arm"] for arm in definition["arms"]} == set(cohort.ARM_AGE) == set(hips["arm"])
    visits_made = {*cohort.VISIT_DAY, FIRST_VISIT}
    assert {visit["visit_id"] for visit in definition["visits"]} == visits_made
    assert visits["date"].max() <= pd.Timestamp(definition["data_cut"])


def test_sizes_are_even_and_within_what_is_made(hips):
    """Common practice, no source: sizes in steps of 2 mm; a resurfacing cup is 6 or 8 mm larger."""
    surfaced = hips[hips["arm"] == "resurfacing"]
    stemmed = hips[hips["arm"] == "short_stem"]
    assert surfaced["head_diameter_mm"].isin(range(44, 55, 2)).all()
    assert (surfaced["cup_diameter_mm"] - surfaced["head_diameter_mm"]).isin([6, 8]).all()
    assert stemmed["head_diameter_mm"].isin([32, 36]).all()
    assert stemmed["cup_diameter_mm"].isin(range(48, 61, 2)).all()


def test_truncated_normal_moments_against_scipy():
    """Source: scipy.stats.truncnorm."""
    from scipy.stats import truncnorm

    values = truncated_normal(np.random.default_rng(3), 10.0, 2.0, size=100_000, reach=1.5)
    expected = truncnorm(-1.5, 1.5, loc=10.0, scale=2.0)
    assert values.mean() == pytest.approx(expected.mean(), abs=0.02)
    assert values.std() == pytest.approx(expected.std(), abs=0.02)
    assert values.min() >= 7.0
    assert values.max() <= 13.0


# ---------------------------------------------------------------- by law


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**63))
def test_any_seed_keeps_the_promises(seed):
    patients = cohort.patient_table(seed=seed)
    hips = hip_table(patients, seed=seed)
    visits = cohort.visit_table(patients, seed=seed)
    assert (len(patients), len(hips)) == (60, 70)
    assert patients["height_cm"].between(140, 200).all()
    assert patients["mass_kg"].between(38, 145).all()
    assert (patients["surgery_date"].dt.year - patients["birth_year"]).between(38, 76).all()
    assert hips["inclination_deg"].between(25, 60).all()
    assert hips["anteversion_deg"].between(2, 36).all()
    assert not visits.duplicated(["patient_id", "visit_id"]).any()
    assert visits["day"].lt(0).eq(visits["visit_id"].eq("before")).all()  # no other day is negative
    order = visits["visit_id"].map(list(cohort.VISIT_DAY).index)
    assert order.groupby(visits["patient_id"]).diff().dropna().gt(0).all()  # 12 months never before 6
    assert visits["date"].dt.day_of_week.lt(5).all()


def test_same_seed_same_tables_other_seed_other_tables(patients):
    pd.testing.assert_frame_equal(cohort.patient_table(seed=SEED), patients)
    assert not cohort.patient_table(seed=SEED + 1).equals(patients)


def test_streams_do_not_touch_each_other():
    before = random_stream(5, "marks", "I0001").normal(size=4)
    random_stream(5, "something new").normal(size=1000)
    assert np.array_equal(before, random_stream(5, "marks", "I0001").normal(size=4))
    assert not np.array_equal(before, random_stream(5, "marks", "I0002").normal(size=4))
    assert not np.array_equal(before, random_stream(6, "marks", "I0001").normal(size=4))


# ---------------------------------------------------------------- by recovery


def test_cup_positions_come_out_as_put_in(hips):
    assert hips["inclination_deg"].mean() == pytest.approx(42, abs=1.5)
    assert hips["inclination_deg"].std() == pytest.approx(5, abs=1.0)
    assert hips["anteversion_deg"].mean() == pytest.approx(16, abs=1.5)
    assert hips["anteversion_deg"].std() == pytest.approx(6, abs=1.0)
    assert {57.5, 56.2} <= set(hips["inclination_deg"])
    assert {2.0, 32.0} <= set(hips["anteversion_deg"])


def test_surgeons_differ_and_two_hips_of_a_patient_are_alike():
    """Over 60 cohorts: the surgeons' habits, the arms' difference and the shared part of the variance."""
    tables = []
    for seed in range(60):
        patients = cohort.patient_table(seed=seed)
        tables.append(hip_table(patients, seed=seed).assign(seed=seed))
    hips = pd.concat(tables)
    hips = hips[~hips["inclination_deg"].isin([57.5, 56.2])]
    arm = hips["arm"].map(ARM_INCLINATION_DEG)
    habit = (hips["inclination_deg"] - arm).groupby(hips["surgeon_id"]).mean()
    for surgeon, expected in SURGEON_INCLINATION_DEG.items():
        assert habit[surgeon] == pytest.approx(expected, abs=0.4)
    rest = hips["inclination_deg"] - arm - hips["surgeon_id"].map(SURGEON_INCLINATION_DEG)
    two = hips.assign(rest=rest)[hips["n_hips"].eq(2)].pivot(
        index=["seed", "patient_id"], columns="side", values="rest"
    )
    assert two.corr().loc["left", "right"] == pytest.approx(SHARED_IN_PATIENT, abs=0.08)


# ---------------------------------------------------------------- by failure


@pytest.mark.parametrize("seed", [-1, 1.5, "7", None])
def test_a_seed_is_a_whole_number(seed):
    with pytest.raises(StudyError, match="a whole number, 0 or more"):
        cohort.patient_table(seed=seed)
