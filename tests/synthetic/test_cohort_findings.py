"""What happens to a few hips, and what two readers say of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score

from cohortlib.errors import StudyError
from cohortlib.synthetic import cohort, findings, hips, ossification_grades
from cohortlib.synthetic import gradings as zone_gradings
from cohortlib.synthetic.lucent_line import LucentLine
from cohortlib.synthetic.study_files import SEED, film_recipes
from cohortlib.tables import GRADING_SCALES, ZONE_STATES

STUDY = Path(__file__).parents[2] / "synthetic_cohort"
ZONE = ["image_id", "side", "zone_system", "zone"]


def zones(count, width_mm, extent_percent):
    return pd.DataFrame(
        {
            "side": "left",
            "zone_system": "cup_3",
            "zone": "1",
            "width_mm": np.full(count, width_mm),
            "extent_percent": np.full(count, extent_percent),
        }
    )


def said(count, width_mm, extent_percent, reader="R1", seed=1):
    free = np.zeros(count, dtype=bool)
    stream = np.random.default_rng(seed)
    return zone_gradings.seen_states(zones(count, width_mm, extent_percent), reader, stream, hidden=free)


@pytest.fixture(scope="module")
def tables():
    patients = cohort.patient_table(seed=SEED)
    own_hips, visits = hips.hip_table(patients, seed=SEED), cohort.visit_table(patients, seed=SEED)
    return own_hips, visits, findings.hip_findings(own_hips, visits, seed=SEED)


@pytest.fixture(scope="module")
def gradings():
    return pd.read_csv(STUDY / "tables" / "gradings.csv", dtype={"zone": str}, keep_default_na=False)


# ---- by hand -------------------------------------------------------------------------------------


def test_as_many_hips_as_put_in(tables):
    found = tables[2].groupby("field")["hip_id"].nunique().to_dict()
    assert found == {
        "lines": findings.N_PROGRESSIVE + 2 * findings.N_STABLE,
        "subsidence_mm": findings.N_SUBSIDED,
        "neck_narrowing": findings.N_NARROWED,
        "ossification": findings.N_OSSIFIED,
    }


def test_lines_grow_or_stay_and_never_shrink(tables):
    lines = tables[2][tables[2]["field"] == "lines"]
    for _, rows in lines.groupby("hip_id"):
        by_visit = dict(zip(rows["visit_id"], rows["value"], strict=True))
        early = {(line.interface, line.zone): line for line in by_visit.get("week_6", ())}
        late = {(line.interface, line.zone): line for line in by_visit["month_12"]}
        assert set(early) <= set(late)
        assert all(early[zone].width_mm <= late[zone].width_mm for zone in early)
        assert all(early[zone].extent <= late[zone].extent for zone in early)


def test_films_have_what_the_findings_say(tables):
    recipes = film_recipes().set_index(["patient_id", "visit_id"])["recipe"]
    own = tables[0].set_index("hip_id")
    for row in tables[2].itertuples():
        hip = own.loc[row.hip_id]
        recipe = recipes.loc[(hip["patient_id"], row.visit_id)]
        (implant,) = [implant for implant in recipe.implants if implant.side == hip["side"]]
        assert getattr(implant, row.field) == row.value


def test_a_zone_without_a_finding_has_no_line(tables):
    own_hips, visits, _ = tables
    films = visits[visits["visit_id"] == "week_6"].head(3).assign(image_id=["I1", "I2", "I3"])
    line = LucentLine("cup", 2, 1.2, 0.5)
    hip = own_hips[own_hips["patient_id"] == films["patient_id"].iloc[0]].iloc[0]
    put_in = pd.DataFrame([(hip["hip_id"], "week_6", "lines", (line,))])
    put_in.columns = ["hip_id", "visit_id", "field", "value"]
    table = findings.true_lines(films, own_hips, put_in)
    seen = table[table["width_mm"] > 0]
    assert seen[
        ["image_id", "hip_id", "zone_system", "zone", "width_mm", "extent_percent"]
    ].to_numpy().tolist() == [["I1", hip["hip_id"], "cup_3", "2", 1.2, 50.0]]
    assert table.groupby("hip_id").size().isin([6, 10]).all()


def test_a_wide_line_about_a_whole_zone_is_seen_and_called_complete():
    table = said(400, 3.0, 100.0)
    assert table["state"].eq("complete").mean() > 0.85
    assert table["width_mm"].mean() == pytest.approx(3.0, abs=0.05)


# ---- by reference --------------------------------------------------------------------------------


def test_the_states_are_those_of_the_dictionary(gradings):
    """Source: cohortlib.tables.ZONE_STATES; every state is there."""
    assert set(gradings["state"]) == set(ZONE_STATES)


def test_two_weeks_lie_between_the_gradings_of_one_film(gradings):
    """Common practice, no source: at least two weeks before a reader sees a film again."""
    when = gradings.assign(at=pd.to_datetime(gradings["marked_at"]))
    first = when.groupby(["image_id", "reader_id", "repeat"])["at"].min().unstack("repeat")
    assert (first[2] - first[1]).dropna().min() > pd.Timedelta(days=14)


# ---- by law --------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(
    width=st.floats(0, 5),
    extent=st.floats(1, 100),
    reader=st.sampled_from(["R1", "R2"]),
    seed=st.integers(0, 9**9),
)
def test_a_width_stands_where_a_line_was_seen_and_nowhere_else(width, extent, reader, seed):
    table = said(30, width, extent, reader, seed)
    seen = table["state"].isin(["incomplete", "complete"])
    assert (table["width_mm"].notna() == seen).all()
    assert table.loc[seen, "width_mm"].between(0.1, 30).all()
    pd.testing.assert_frame_equal(table, said(30, width, extent, reader, seed))


def test_a_zone_that_cannot_be_assessed_is_so_for_both(gradings):
    hidden = zone_gradings.seen_states(
        zones(5, 2.0, 80.0), "R1", np.random.default_rng(1), hidden=np.ones(5, dtype=bool)
    )
    assert hidden["state"].eq("not assessable").all()
    first = gradings[gradings["repeat"] == 1].pivot(index=ZONE, columns="reader_id", values="state")
    of_r1 = first[first["R1"] == "not assessable"]
    assert of_r1["R2"].eq("not assessable").mean() > 0.6


# ---- by recovery ---------------------------------------------------------------------------------


@pytest.mark.parametrize("reader", ["R1", "R2"])
def test_half_of_the_lines_at_the_reader_s_limit_are_seen(reader):
    table = said(4000, zone_gradings.SEEN_FROM_MM[reader], 100.0, reader)
    assert table["state"].ne("none").mean() == pytest.approx(0.5, abs=0.03)
    none = said(4000, 0.0, 0.0, reader)
    assert none["state"].isin(["incomplete", "complete"]).mean() == pytest.approx(
        zone_gradings.FALSE_LINE[reader], abs=0.005
    )


def test_two_readers_agree_as_two_readers_do(gradings):
    """Fair to good, and better with oneself; the bounds are wide, as few zones have a line (no source)."""
    first = gradings[gradings["repeat"] == 1].pivot(index=ZONE, columns="reader_id", values="state")
    assert 0.35 < cohen_kappa_score(first["R1"], first["R2"]) < 0.8
    again = (
        gradings[gradings["reader_id"] == "R1"].pivot(index=ZONE, columns="repeat", values="state").dropna()
    )
    assert 0.4 < cohen_kappa_score(again[1], again[2]) < 0.95
    share = again.index.get_level_values("image_id").nunique() / gradings["image_id"].nunique()
    assert share == pytest.approx(zone_gradings.GRADED_AGAIN, abs=0.01)


def test_new_bone_is_graded_about_as_it_is():
    stream = np.random.default_rng(8)
    for reader, off in ossification_grades.ONE_OFF.items():
        said_of_2 = pd.Series([ossification_grades._seen(2, reader, stream) for _ in range(2000)])
        assert said_of_2.eq("2").mean() == pytest.approx(1 - off, abs=0.04)
        assert set(said_of_2) <= {"1", "2", "3", "not assessable"}
        said_of_0 = pd.Series([ossification_grades._seen(0, reader, stream) for _ in range(2000)])
        assert said_of_0.eq("1").mean() == pytest.approx(ossification_grades.FALSE_ISLANDS[reader], abs=0.01)


def test_every_hip_that_was_graded_has_a_grade_of_new_bone(gradings):
    grades = pd.read_csv(STUDY / "tables" / "grades.csv", keep_default_na=False, dtype={"grade": str})
    grades = grades[grades["scale"] == ossification_grades.SCALE]
    keys = ["image_id", "reader_id", "repeat", "side"]
    own, other = (table[keys].drop_duplicates().sort_values(keys) for table in (gradings, grades))
    assert own.to_numpy().tolist() == other.to_numpy().tolist()
    scale = GRADING_SCALES[ossification_grades.SCALE]
    assert set(grades["grade"]) <= {*scale.parts["whole"], "not assessable"}
    assert grades["grade"].isin(["1", "2", "3"]).any()


# ---- by failure ----------------------------------------------------------------------------------


@pytest.mark.parametrize("reader", ["R3", "", "r1"])
def test_an_unknown_reader_is_refused(reader):
    with pytest.raises(StudyError, match="R1, R2"):
        said(3, 1.0, 50.0, reader)
