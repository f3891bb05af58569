"""How films were taken, as one table: two films of one invented patient, of known pose and beam."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cohortlib.errors import StudyError
from cohortlib.measure.comparability import FILM_FACTS, technique_changes
from cohortlib.pipeline.film_facts import KEPT, facts_of_film
from cohortlib.pipeline.measuring import film_tasks, measured_once
from cohortlib.pipeline.technique import film_technique
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.dx import write_dx
from cohortlib.synthetic.film import film_pixels, true_landmarks, true_pose
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe
from cohortlib.tables import DICTIONARY, Study

ANATOMY = Path(__file__).parents[1] / "synthetic_cohort" / "anatomy"
IMPLANT = ImplantRecipe("right", "resurfacing", 48, 54, inclination_deg=42, anteversion_deg=16)
FIRST = FilmRecipe(seed=8, implants=(IMPLANT,), spacing_mm=0.6, columns=700, rows=575)
#: Centred 40 mm further to the patient's right, and standing; and one that lay otherwise under the same beam.
LATER = replace(FIRST, seed=9, offset_left_mm=40.0, position="standing")
TURNED = replace(FIRST, seed=10, rotation_deg=6.0, tilt_deg=-8.0)
FILMS = {"I1": FIRST, "I2": LATER, "I3": TURNED}
LANDMARKS = ("teardrop", "head_edge", "cup_rim", "symphysis_top", "sacrococcygeal_joint")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("technique")
    anatomy, marks = read_anatomy(ANATOMY), []
    for image_id, recipe in FILMS.items():
        pixels = film_pixels(recipe, anatomy)
        ids = {"patient_id": "P1", "image_id": image_id, "study_date": datetime.date(2031, 1, 1)}
        write_dx(folder / f"{image_id}.dcm", pixels, recipe, seed=1, **ids)
        seen = true_landmarks(recipe, anatomy).query("visible and landmark in @LANDMARKS")
        seen = seen[seen["side"].eq("right") | seen["landmark"].eq("teardrop")]  # the middle is marked once
        marks.append(seen.assign(image_id=image_id, reader_id="R1", repeat=1))
    tables = {name: pd.DataFrame({column: [] for column in columns}) for name, columns in DICTIONARY.items()}
    day = pd.Timestamp("2030-01-01")
    tables["patients"] = pd.DataFrame({"patient_id": ["P1"], "sex": ["male"], "birth_year": [1970]})
    tables["hips"] = pd.DataFrame(
        [["H1", "P1", "right", day, 48.0, 54.0]],
        columns=["hip_id", "patient_id", "side", "surgery_date", "head_diameter_mm", "cup_diameter_mm"],
    )
    tables["visits"] = pd.DataFrame(
        {"patient_id": "P1", "visit_id": ["v1", "v2", "v3"], "date": [day + pd.Timedelta(days=40)] * 3}
    )
    tables["images"] = pd.DataFrame(
        [[f"I{n}", "P1", f"v{n}", "radiograph", "AP pelvis", "supine", f"I{n}.dcm"] for n in (1, 2, 3)],
        columns=["image_id", "patient_id", "visit_id", "kind", "view", "position", "path"],
    )
    tables["landmarks"] = pd.concat(marks, ignore_index=True).assign(marked_at=day)
    empty = pd.DataFrame()
    return Study(folder, "drawn", "a", empty, empty, empty, empty, {}, None, True, tables)


@pytest.fixture(scope="module")
def measurements(study):
    return measured_once(study, workers=1)


@pytest.fixture(scope="module")
def table(study, measurements):
    return film_technique(study, measurements, reader_id="R1", workers=1).set_index("image_id")


# by hand


def test_header_and_table_that_differ_leave_the_fact_empty(table):
    assert table["position"].tolist() == ["supine", "", "supine"]
    assert table["note"].tolist() == ["", "position: header says standing, images.csv supine", ""]
    assert table["view"].tolist() == ["AP pelvis"] * 3
    assert list(table.columns) == ["patient_id", "visit_id", *FILM_FACTS, "note"]


def test_another_centring_and_rotation_are_named_before_any_component(table):
    found = technique_changes(table.reset_index(), baseline="v1")
    assert found["comparable"].tolist() == ["no", "no"]
    assert found["not_known"].tolist() == ["position", ""]
    centred, turned = found["changed"]
    assert centred.startswith("beam_left_mm 0 → -4")
    assert "position" not in centred
    assert "pelvic_tilt_deg" in turned
    assert "pelvic_rotation_deg" in turned
    assert "beam" not in turned


# by law


def test_what_is_kept_gives_the_same_table_and_is_not_worked_out_again(study, measurements, table):
    place = study.folder / "derived" / KEPT
    written = place.read_bytes()
    again = film_technique(study, measurements, reader_id="R1", workers=1).set_index("image_id")
    pd.testing.assert_frame_equal(again, table)
    assert place.read_bytes() == written
    kept = json.loads(written)
    kept["I1"]["facts"]["position"] = "standing"  # taken as it stands: so it was not read again
    kept["I2"]["key"] = "another"  # and this one is
    place.write_text(json.dumps(kept))
    changed = film_technique(study, measurements, reader_id="R1", workers=1).set_index("image_id")
    assert changed["position"].tolist() == ["", "", "supine"]
    place.write_text("no table at all")
    mended = film_technique(study, measurements, reader_id="R1", workers=1).set_index("image_id")
    pd.testing.assert_frame_equal(mended, table)


# by recovery


def test_beam_pose_and_magnification_are_those_put_in(table):
    anatomy = read_anatomy(ANATOMY)
    for image_id, recipe in FILMS.items():
        drops = true_landmarks(recipe, anatomy).query("landmark == 'teardrop'")
        x_px, y_px = drops[["x_px", "y_px"]].mean()
        beam = np.array([(recipe.columns - 1) / 2 - x_px, y_px - (recipe.rows - 1) / 2]) * recipe.spacing_mm
        found = table.loc[image_id]
        np.testing.assert_allclose(found[["beam_left_mm", "beam_proximal_mm"]].astype(float), beam, atol=0.6)
        assert found["source_to_detector_mm"] == pytest.approx(recipe.source_to_detector_mm)
        depth = true_pose(recipe, anatomy).set_index(["side", "quantity"])["value"]["right", "cup_centre_y"]
        assert found["magnification"] == pytest.approx(recipe.source_to_detector_mm / depth, rel=0.012)
    change = table.loc[["I1", "I3"], ["pelvic_tilt_deg", "pelvic_rotation_deg"]].diff().iloc[1]
    # Front to the patient's left is +, though the hip is the right one; a change is good to a tenth.
    np.testing.assert_allclose(change, [-8.0, 6.0], atol=1.5)


# by failure


def test_a_reader_without_marks_is_refused(study, measurements):
    with pytest.raises(StudyError, match=r"R9, 1.*Name one of R1"):
        film_technique(study, measurements, reader_id="R9", workers=1)


def test_a_film_that_cannot_be_read_says_why_and_the_rest_is_not_known(study, measurements):
    task = next(iter(film_tasks(study)))
    facts = facts_of_film(replace(task, path="none.dcm"))
    assert facts["view"] == ""
    assert facts["magnification"] is None
    assert "none.dcm" in facts["note"]
