"""The true lines of zones, read back from the table of truth."""

from pathlib import Path

import pandas as pd

from cohortlib.synthetic.study_files import film_recipes
from cohortlib.synthetic.truth import lines_in_truth

STUDY = Path(__file__).parents[2] / "synthetic_cohort"
HIPS = pd.DataFrame({"hip_id": ["H1", "H2"], "side": ["left", "right"]})


def rows(*values):
    table = pd.DataFrame(values, columns=["image_id", "hip_id", "quantity", "zone", "value"])
    return table.assign(patient_id="P1", visit_id="v", unit="mm")


# By hand -------------------------------------------------------------------------------------------


def test_width_and_extent_of_a_zone_stand_side_by_side():
    truth = rows(
        ("I1", "H2", "line_width_cup_3", "1", 1.2),
        ("I1", "H2", "line_extent_cup_3", "1", 70.0),
        ("I1", "H2", "line_width_stem_7", "1", 2.0),
        ("I1", "H2", "inclination", "", 44.0),
    )
    assert lines_in_truth(truth, HIPS, zone_system="cup_3").to_dict("records") == [
        {
            "image_id": "I1",
            "hip_id": "H2",
            "side": "right",
            "zone_system": "cup_3",
            "zone": "1",
            "width_mm": 1.2,
            "extent_percent": 70.0,
        }
    ]


# By recovery: what was put in comes out ---------------------------------------------------------------


def test_the_lines_of_the_demo_are_those_of_its_recipes():
    truth = pd.read_csv(STUDY / "truth.csv", dtype={"zone": str})
    hips = pd.read_csv(STUDY / "tables" / "hips.csv")
    found = lines_in_truth(truth, hips, zone_system="cup_3").query("width_mm > 0")
    put_in = [
        (film["image_id"], implant.side, str(line.zone), line.width_mm)
        for film in film_recipes().to_dict("records")
        for implant in film["recipe"].implants
        for line in implant.lines
        if line.interface == "cup"
    ]
    have = found[["image_id", "side", "zone", "width_mm"]].itertuples(index=False, name=None)
    assert sorted(have) == sorted(put_in)
    assert len(put_in) > 0
