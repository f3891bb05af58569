"""The invented events and plans: who left and why, what happened, what was planned."""

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.study import check_study, read_study
from cohortlib.synthetic import cohort, events, plans
from cohortlib.synthetic.hips import hip_table
from cohortlib.synthetic.study_files import SEED
from cohortlib.tables import DICTIONARY

STUDY = Path(__file__).parents[2] / "synthetic_cohort"
CUT = pd.Timestamp(cohort.DATA_CUT)
ENDINGS = ("death", "withdrawal", "lost")


def made(seed):
    patients = cohort.patient_table(seed=seed)
    hips = hip_table(patients, seed=seed)
    visits = cohort.visit_table(patients, seed=seed)
    return patients, hips, visits, events.event_table(patients, hips, visits, seed=seed)


@pytest.fixture(scope="module")
def tables():
    return made(SEED)


# ---------------------------------------------------------------- by hand


def test_what_happened_in_the_demo(tables):
    table = tables[-1]
    assert table["event"].value_counts().to_dict() == {
        "adverse event": 8,
        "withdrawal": 2,
        "lost": 2,
        "death": 1,
        "revision": 1,
        "reoperation": 1,
        "device deficiency": 1,
    }
    assert table["event_id"].tolist() == [f"E{number:03d}" for number in range(1, 17)]
    assert table["date"].is_monotonic_increasing
    assert list(table) == list(DICTIONARY["events"])


def test_seriousness_and_relation_are_judged_but_for_the_latest(tables):
    table = tables[-1]
    harmful = table[~table["event"].isin(["withdrawal", "lost"])]
    latest = harmful["date"] >= CUT - pd.Timedelta(days=9)
    assert latest.sum() == 1
    columns = ["seriousness", "device_relation", "procedure_relation", "expectedness"]
    assert harmful.loc[latest, columns].isna().all(axis=None)
    assert harmful.loc[~latest, columns].notna().all(axis=None)
    assert set(harmful["seriousness"].dropna()) == {"serious", "not serious"}
    for column in columns:
        assert harmful[column].dropna().isin(DICTIONARY["events"][column].allowed).all()


def test_those_whom_the_truth_calls_gone_have_an_event_on_that_day(tables):
    patients, _, _, table = tables
    left = patients.dropna(subset="last_day")
    day = left["surgery_date"] + pd.to_timedelta(left["last_day"].astype(int), unit="D")
    wanted = set(zip(left["patient_id"], left["left_because"], day, strict=True))
    found = table[table["event"].isin(["death", "withdrawal"])]
    assert set(zip(found["patient_id"], found["event"], found["date"], strict=True)) == wanted


def test_one_hip_is_revised_after_its_films_and_before_a_visit_that_lies_ahead(tables):
    _, hips, visits, table = tables
    revision = table[table["event"] == "revision"].iloc[0]
    hip = hips[(hips["patient_id"] == revision["patient_id"]) & (hips["side"] == revision["side"])].iloc[0]
    came = visits.loc[visits["patient_id"] == hip["patient_id"]].set_index("visit_id")["date"]
    assert came["month_12"] < revision["date"] <= CUT
    assert hip["surgery_date"] + pd.Timedelta(days=730) > CUT
    assert "month_24" not in came


def test_cups_are_planned_close_to_what_was_put_in(tables):
    hips = tables[1]
    plan = plans.plan_table(hips, seed=SEED)
    apart = hips["cup_diameter_mm"] - plan["planned_cup_diameter_mm"]
    assert set(apart) == {-2, 0, 2}
    assert apart.eq(0).mean() == pytest.approx(0.7, abs=0.15)
    surfaced = hips["arm"] == "resurfacing"
    assert plan.loc[surfaced, ["planned_leg_change_mm", "planned_offset_change_mm"]].eq(0).all(axis=None)
    wall = plan["planned_cup_diameter_mm"] - plan["planned_head_diameter_mm"]
    assert wall[surfaced].isin([6, 8]).all()


# ---------------------------------------------------------------- by reference


def test_the_demo_has_no_problem():
    """Source: what `check_study` knows of events; the committed folder."""
    assert check_study(STUDY).empty
    study = read_study(STUDY)
    assert len(study.tables["events"]) == 16
    assert len(study.tables["plans"]) == len(study.hips)


# ---------------------------------------------------------------- by law


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**63))
def test_nobody_has_data_after_the_end(seed):
    _, hips, visits, table = made(seed)
    assert set(ENDINGS) <= set(table["event"])
    ended = table[table["event"].isin(ENDINGS)].set_index("patient_id")["date"]
    for rows in (visits, table):
        assert not (rows["date"] > rows["patient_id"].map(ended)).any()
    assert table["date"].le(CUT).all()
    assert not (table["reported_on"] > CUT).any()
    assert not (table["resolved_on"] > CUT).any()
    assert not (table["reported_on"] < table["date"]).any()
    assert not (table["resolved_on"] < table["date"]).any()
    # A hip of its patient, operated on before.
    sided = table.dropna(subset="side").merge(hips, on=["patient_id", "side"])
    assert len(sided) == table["side"].notna().sum()
    assert sided["date"].ge(sided["surgery_date"]).all()
    # What happens, happens to another patient each time.
    assert not table["patient_id"].duplicated().any()
    lost = table[table["event"] == "lost"]
    assert len(lost) <= events.N_LOST
    last = visits.groupby("patient_id")["date"].max()
    assert (lost["date"] > lost["patient_id"].map(last)).all()


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 2**63))
def test_plans_keep_what_the_data_dictionary_allows(seed):
    hips = hip_table(cohort.patient_table(seed=seed), seed=seed)
    plan = plans.plan_table(hips, seed=seed)
    assert plan["hip_id"].equals(hips["hip_id"])
    assert plan["planned_on"].lt(hips["surgery_date"]).all()
    assert plan["planned_on"].dt.day_of_week.lt(5).all()
    assert plan["planned_on"].groupby(hips["patient_id"]).nunique().eq(1).all()
    for name, column in DICTIONARY["plans"].items():
        if name in plan and column.kind in ("number", "integer") and column.allowed:
            assert plan[name].between(*column.allowed).all(), name


def test_same_seed_same_tables(tables):
    patients, hips, visits, table = tables
    pd.testing.assert_frame_equal(events.event_table(patients, hips, visits, seed=SEED), table)
    pd.testing.assert_frame_equal(plans.plan_table(hips, seed=SEED), plans.plan_table(hips, seed=SEED))
    assert not events.event_table(patients, hips, visits, seed=SEED + 1).equals(table)


def test_events_leave_the_other_tables_as_they_were(tables):
    """They are drawn from streams of their own and take nothing away."""
    patients, hips, visits, _ = tables
    copies = [rows.copy() for rows in (patients, hips, visits)]
    events.event_table(patients, hips, visits, seed=SEED)
    plans.plan_table(hips, seed=SEED)
    for rows, copy in zip((patients, hips, visits), copies, strict=True):
        pd.testing.assert_frame_equal(rows, copy)


# ---------------------------------------------------------------- by recovery


def test_the_planned_change_differs_from_the_true_one_by_the_error_put_in():
    apart = []
    for seed in range(30):
        hips = hip_table(cohort.patient_table(seed=seed), seed=seed)
        plan = plans.plan_table(hips, seed=seed)
        stemmed = hips["arm"] == "short_stem"
        apart.append((hips["leg_lengthening_mm"] - plan["planned_leg_change_mm"])[stemmed])
    errors = pd.concat(apart)
    assert errors.mean() == pytest.approx(0, abs=0.2)
    # The tails of the error are cut at 2.2 SD, and a plan is in whole millimetres.
    assert errors.std() == pytest.approx(plans.FEMORAL_SD_MM, abs=0.25)
