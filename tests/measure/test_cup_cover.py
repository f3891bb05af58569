"""Contact-patch-to-rim distance, arc of cover, other definitions: what follows from the angles of a cup."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.cup import arc_of_cover, contact_patch_to_rim_distance, cup_orientation
from cohortlib.measure.cup.cover import contact_patch_to_rim_sd, load_to_pole_angle
from cohortlib.measure.cup.derived import cover_of_cups, orientation_in_definition
from cohortlib.tables import MEASUREMENT_COLUMNS

REFERENCE = Path(__file__).parents[1] / "reference"
SIZES = {"bearing_diameter_mm": 50.0, "cup_arc_deg": 160.0, "load_medial_deg": 15.0}
BEARINGS = pd.DataFrame({"hip_id": ["H1"], "bearing_diameter_mm": [50.0], "cup_arc_deg": [160.0]})


def cups(inclination=40.0, anteversion=15.0, sd=1.0, **other):
    row = {
        "hip_id": "H1", "patient_id": "P1", "visit_id": "v", "image_id": "I1", "reader_id": "R1", "repeat": 1,
        "zone": "", "unit": "deg", "sd": sd, "method": "radiographic; cup outline", "note": "", **other,
    }  # fmt: skip
    rows = [{**row, "quantity": "inclination", "value": inclination}]
    rows.append({**row, "quantity": "anteversion", "value": anteversion})
    return pd.DataFrame(rows)[list(MEASUREMENT_COLUMNS)]


# by hand


def test_a_load_through_the_pole_is_a_quarter_turn_from_the_rim_of_a_hemisphere():
    sizes = {**SIZES, "cup_arc_deg": 180.0, "load_medial_deg": 40.0}
    assert contact_patch_to_rim_distance(40, 0, **sizes) == pytest.approx(25 * np.pi / 2)


def test_a_load_beyond_the_rim_is_negative():
    assert contact_patch_to_rim_distance(85, 0, **{**SIZES, "cup_arc_deg": 120.0}) < 0


# by reference


@pytest.mark.parametrize("row", pd.read_csv(REFERENCE / "cup_cover.csv").to_dict("records"))
def test_distance_table(row):
    angles = (row["inclination"], row["anteversion"])
    gamma = load_to_pole_angle(*angles, load_medial_deg=row["load_medial"])
    assert gamma == pytest.approx(row["gamma"], abs=0.005)
    assert row["arc"] / 2 - gamma == pytest.approx(row["margin"], abs=0.005)
    found = contact_patch_to_rim_distance(
        *angles,
        bearing_diameter_mm=row["diameter"],
        cup_arc_deg=row["arc"],
        load_medial_deg=row["load_medial"],
    )
    assert found == pytest.approx(row["distance"], abs=0.005)


def test_arc_of_cover_table():
    table = pd.read_csv(REFERENCE / "film_geometry.csv")
    for row in table[table["what"] == "arc_of_cover"].to_dict("records"):
        assert arc_of_cover(row["second"], cup_arc_deg=row["first"]) == row["expected"]


# by law


@given(st.floats(20, 60), st.floats(0, 40))
@settings(max_examples=50, deadline=None)
def test_steeper_and_more_anteverted_brings_the_load_nearer_to_the_rim(inclination, anteversion):
    here = contact_patch_to_rim_distance(inclination, anteversion, **SIZES)
    assert contact_patch_to_rim_distance(inclination + 5, anteversion, **SIZES) < here
    assert contact_patch_to_rim_distance(inclination, anteversion + 5, **SIZES) < here


@given(st.floats(20, 60), st.floats(1, 40), st.sampled_from(["operative", "anatomical"]))
@settings(max_examples=50, deadline=None)
def test_rows_of_another_definition_are_those_of_the_formula(inclination, anteversion, wanted):
    table = orientation_in_definition(cups(inclination, anteversion), wanted=wanted)
    assert table["quantity"].tolist() == [f"{wanted}_inclination", f"{wanted}_anteversion"]
    expected = cup_orientation(inclination, anteversion, given="radiographic", wanted=wanted)
    np.testing.assert_allclose(table["value"], expected)


# by recovery


def test_errors_carried_over_are_the_errors_made():
    rng = np.random.default_rng(12)
    inclination, anteversion = rng.normal(45, 1.0, 20000), rng.normal(20, 1.5, 20000)
    made = contact_patch_to_rim_distance(inclination, anteversion, **SIZES).std()
    claimed = contact_patch_to_rim_sd(45, 20, inclination_sd_deg=1.0, anteversion_sd_deg=1.5, **SIZES)
    assert made == pytest.approx(claimed, rel=0.03)
    operative = cup_orientation(inclination, anteversion, given="radiographic", wanted="operative")
    measured = cups(45, 20)
    measured["sd"] = [1.0, 1.5]
    rows = orientation_in_definition(measured, wanted="operative")
    assert rows["sd"].to_numpy() == pytest.approx([part.std() for part in operative], rel=0.05)


def test_cover_prints_the_load_and_keeps_the_reason_of_a_missing_angle():
    found = cover_of_cups(cups(40, 0), BEARINGS, load_medial_deg=15)
    assert found["value"].tolist() == pytest.approx([24.0, 130.0], abs=0.005)
    assert "load 15 deg medial of the vertical, assumed" in found["method"].iloc[0]
    missing = cups(np.nan, np.nan, note="the cup's outline is not seen")
    found = cover_of_cups(missing, BEARINGS, load_medial_deg=15)
    assert found["value"].isna().all()
    assert set(found["note"]) == {"the cup's outline is not seen"}


# by failure


@pytest.mark.parametrize(
    ("measured", "bearings", "match"),
    [
        (cups(method="anatomical; by hand"), BEARINGS, "found anatomical; by hand"),
        (pd.concat([cups(), cups()]), BEARINGS, "one value a cup and reading"),
        (cups().drop(columns="sd"), BEARINGS, "sd: found no such column"),
        (cups(), BEARINGS.drop(columns="cup_arc_deg"), "cup_arc_deg: found no such column"),
        (cups(), BEARINGS.assign(hip_id="H9"), "found no bearing of H1"),
        (cups(), BEARINGS.assign(cup_arc_deg=80.0), "the whole arc of the bearing, not its half"),
    ],
)
def test_wrong_tables_are_refused(measured, bearings, match):
    with pytest.raises(StudyError, match=match):
        cover_of_cups(measured, bearings, load_medial_deg=15)


def test_an_unknown_definition_is_refused():
    with pytest.raises(StudyError, match="Expected operative or anatomical"):
        orientation_in_definition(cups(), wanted="radiographic")
