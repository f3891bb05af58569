"""Corrections of a measured cup as rows, and what they leave uncertain."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.geometry.projection import circle_shadow
from cohortlib.measure.cup.beam_offset import beam_offset_sd, cup_orientation_without_beam_offset
from cohortlib.measure.cup.pelvis_rows import TAKEN, orientation_in_pelvis
from cohortlib.tables import MEASUREMENT_COLUMNS

TILT = pd.read_csv(Path(__file__).parents[1] / "reference" / "cup_tilt.csv")
SDS = {"inclination": 1.0, "anteversion": 1.5, "pelvic_tilt": 6.0, "pelvic_rotation": 2.0}
BEAM = {"lateral_mm": 100.0, "proximal_mm": -20.0, "source_to_detector_mm": 1150.0}


def reading(inclination=40.0, anteversion=15.0, tilt=0.0, rotation=0.0, *, sds=SDS, **other):
    values = (inclination, anteversion, tilt, rotation)
    row = {
        "hip_id": "H1", "patient_id": "P1", "visit_id": "v", "image_id": "I1", "reader_id": "R1", "repeat": 1,
        "zone": "", "unit": "deg", "note": "", **other,
    }  # fmt: skip
    rows = [
        {**row, "quantity": name, "value": value, "sd": sds[name],
         "method": "radiographic; cup outline" if name in TAKEN[:2] else "estimate: two landmarks"}
        for name, value in zip(TAKEN, values, strict=True)
    ]  # fmt: skip
    return pd.DataFrame(rows)[list(MEASUREMENT_COLUMNS)]


def corrected(table):
    return orientation_in_pelvis(table).set_index("quantity")


# by hand


def test_a_level_pelvis_leaves_the_angles_and_adds_its_error():
    found = corrected(reading())
    assert found["value"].tolist() == pytest.approx([40, 15])
    # Slopes at 40/15: cos RI of tilt and sin RI of rotation for anteversion.
    expected = np.sqrt(1.5**2 + (6 * np.cos(np.radians(40))) ** 2 + (2 * np.sin(np.radians(40))) ** 2)
    assert found.loc["anteversion_in_pelvis", "sd"] == pytest.approx(expected, abs=1e-3)
    assert found["method"].iloc[0] == (
        "radiographic, to the anterior pelvic plane; radiographic; cup outline; estimate: two landmarks"
    )


def test_what_is_lacking_is_named():
    found = corrected(reading(tilt=np.nan))
    assert found["value"].isna().all()
    assert set(found["note"]) == {"no value of pelvic_tilt"}
    alone = reading().query("quantity in ['pelvic_tilt', 'pelvic_rotation']")
    assert orientation_in_pelvis(alone).empty


# by reference


@pytest.mark.parametrize("row", TILT.to_dict("records"))
def test_the_tilt_table_undone(row):
    found = corrected(reading(row["inclination"], row["anteversion"], row["tilt"]))
    assert found["value"].tolist() == pytest.approx([40, 15], abs=0.012)


# by law


@given(st.floats(30, 60), st.floats(0, 30), st.floats(-12, 12), st.floats(-8, 8))
@settings(max_examples=25, deadline=None)
def test_a_cup_laid_on_the_film_comes_back(inclination, anteversion, tilt, rotation):
    i, v, t, r = np.radians([inclination, anteversion, tilt, rotation])
    axis = np.array([np.cos(v) * np.sin(i), np.sin(v), -np.cos(v) * np.cos(i)])
    tilted = np.array([[1, 0, 0], [0, np.cos(t), np.sin(t)], [0, -np.sin(t), np.cos(t)]]) @ axis
    x, y, z = np.array([[np.cos(r), np.sin(r), 0], [-np.sin(r), np.cos(r), 0], [0, 0, 1]]) @ tilted
    film = np.degrees(np.arctan2(x, -z)), np.degrees(np.arcsin(y))
    found = corrected(reading(*film, tilt, rotation))
    assert found["value"].tolist() == pytest.approx([inclination, anteversion], abs=1e-9)
    assert (found["sd"] > 0).all()


# by recovery


def test_errors_carried_over_are_the_errors_made():
    rng = np.random.default_rng(44)
    truth = np.array([44.0, 12.0, 4.0, -3.0])
    sds = np.array([0.8, 1.2, 3.0, 1.5])
    tables = [reading(*row, hip_id=f"H{k}") for k, row in enumerate(truth + sds * rng.normal(size=(400, 4)))]
    made = orientation_in_pelvis(pd.concat(tables, ignore_index=True))
    scatter = made.groupby("quantity", sort=False)["value"].std()
    claimed = corrected(reading(*truth, sds=dict(zip(TAKEN, sds, strict=True))))["sd"]
    assert scatter.to_numpy() == pytest.approx(claimed.to_numpy(), rel=0.12)


def test_errors_of_the_beam_correction_are_the_errors_made():
    rng = np.random.default_rng(45)
    i, v = np.radians([42.0, 18.0])
    normal = np.array([np.cos(v) * np.sin(i), -np.cos(v) * np.cos(i), np.sin(v)])
    shadow = circle_shadow(np.array([87.0, -17.4, 150.0]), normal, 25.0, [0.0, 0.0, 1150.0])
    read = shadow.angle_deg, float(np.degrees(np.arcsin(shadow.semi_axes[1] / shadow.semi_axes[0])))
    made = []
    for noise in rng.normal(size=(600, 5)) * [0.7, 1.0, 8.0, 8.0, 15.0]:
        made.append(
            cup_orientation_without_beam_offset(
                read[0] + noise[0],
                read[1] + noise[1],
                lateral_mm=BEAM["lateral_mm"] + noise[2],
                proximal_mm=BEAM["proximal_mm"] + noise[3],
                source_to_detector_mm=BEAM["source_to_detector_mm"] + noise[4],
            )
        )
    claimed = beam_offset_sd(
        *read, inclination_sd_deg=0.7, anteversion_sd_deg=1.0, place_sd_mm=8.0, distance_sd_mm=15.0, **BEAM
    )
    assert np.std(made, axis=0) == pytest.approx(claimed, rel=0.1)


# by failure


@pytest.mark.parametrize(
    ("table", "match"),
    [
        (reading().drop(columns="sd"), "sd: found no such column"),
        (reading().assign(method="anatomical; by hand"), "found anatomical; by hand"),
        (pd.concat([reading(), reading()]), "one value a reading"),
    ],
)
def test_wrong_rows_are_refused(table, match):
    with pytest.raises(StudyError, match=match):
        orientation_in_pelvis(table)


def test_a_negative_reading_has_no_error():
    with pytest.raises(StudyError, match="one film does not show the sign"):
        beam_offset_sd(
            40, -3, inclination_sd_deg=1, anteversion_sd_deg=1, place_sd_mm=5, distance_sd_mm=10, **BEAM
        )
