"""The panel of cup orientation, its table, its figure and its row of numbers without controls."""

from __future__ import annotations

import gc
import weakref
from pathlib import Path

import ipywidgets
import numpy as np
import pandas as pd
import pytest

from cohortlib.errors import StudyError
from cohortlib.measure.cup import cup_orientation
from cohortlib.tables import MEASUREMENT_COLUMNS, Study
from cohortlib.widgets.cup import explore_cup_orientation
from cohortlib.widgets.cup_choice import cup_choice, group_names
from cohortlib.widgets.cup_view import cup_orientation_figure, cup_orientation_summary

READING = {"visit_id": "week_6", "reader_id": "R1"}
CHOICE = {**READING, "by": "arm", "definition": "radiographic"}
VIEW = {**CHOICE, "zone": True}

#: hip, patient, arm, surgeon, inclination, anteversion (None: the film gave no value).
HIPS = [
    ("H1", "P1", "resurfacing", "S1", 40.0, 15.0),
    ("H2", "P1", "short_stem", "S1", 45.0, 20.0),
    ("H3", "P2", "short_stem", "S2", 52.0, 10.0),
    ("H4", "P3", "resurfacing", "S2", 36.0, 26.0),
    ("H5", "P4", "short_stem", None, 44.0, 17.0),
    ("H6", "P5", "resurfacing", "S1", 38.0, None),
]
NOT_READ = ("H7", "P6", "short_stem", "S2")


def cup_study(**changed) -> Study:
    """Six patients, seven hips; only what the panel looks at."""
    columns = ["hip_id", "patient_id", "arm", "surgeon_id"]
    hips = pd.DataFrame([row[:4] for row in HIPS] + [NOT_READ], columns=columns)
    patients = pd.DataFrame({"patient_id": hips["patient_id"].unique(), "sex": ["female", "male"] * 3})
    zone = {"threshold": "cup zone", "unit": "deg", "definition": "radiographic", "source": "made up"}
    thresholds = [
        {**zone, "quantity": "inclination", "lower": 30, "upper": 50},
        {**zone, "quantity": "anteversion", "lower": 5, "upper": 25},
    ]
    parts = {
        "folder": Path("nowhere"),
        "title": "Small made-up study",
        "comparator": "short_stem",
        "arms": pd.DataFrame({"arm": ["resurfacing", "short_stem"], "label": ["Resurfacing", "Short stem"]}),
        "schedule": pd.DataFrame({"visit_id": ["before", "week_6"], "label": ["Before", "6 weeks"]}),
        "instruments": pd.DataFrame(),
        "thresholds": pd.DataFrame(thresholds),
        "endpoint": {},
        "data_cut": None,
        "synthetic": True,
        "tables": {"hips": hips, "patients": patients},
    }
    return Study(**(parts | changed))


def cup_measurements() -> pd.DataFrame:
    """R1 read every film, the first one twice; R2 read the film of one patient."""
    rows = []
    for hip, patient, _, _, *angles in HIPS:
        readings = [("R1", 1), *([("R1", 2), ("R2", 1)] if patient == "P2" else [])]
        for reader, repeat in readings:
            for quantity, value, sd in zip(("inclination", "anteversion"), angles, (0.5, 1.0), strict=True):
                known = value is not None
                shifted = value + 10 * (repeat - 1) if known else np.nan
                rows.append((hip, patient, reader, repeat, quantity, shifted, sd if known else np.nan))
    columns = ["hip_id", "patient_id", "reader_id", "repeat", "quantity", "value", "sd"]
    table = pd.DataFrame(rows, columns=columns)
    table = table.assign(visit_id="week_6", image_id="I" + table["patient_id"])
    return table.assign(zone="", unit="deg", method="radiographic", note="")[list(MEASUREMENT_COLUMNS)]


def controls_of(panel: ipywidgets.VBox) -> dict[str, ipywidgets.ValueWidget]:
    """Each control by the word that stands before it."""
    lines = panel.children[0].children
    return {piece.children[0].value: piece.children[1] for line in lines for piece in line.children}


# by hand --------------------------------------------------------------------------------------------


def test_one_row_a_hip_of_the_first_reading():
    points = cup_choice(cup_study(), cup_measurements(), **CHOICE).set_index("hip_id")
    assert points.index.tolist() == ["H1", "H2", "H3", "H4", "H5", "H6"]
    assert points.loc["H3", ["inclination", "anteversion"]].tolist() == [52, 10]
    assert points.loc["H6", "inclination"] == 38
    assert np.isnan(points.loc["H6", "anteversion"])


@pytest.mark.parametrize(
    ("by", "groups"),
    [
        ("arm", ["resurfacing", "short_stem", "short_stem", "resurfacing", "short_stem", "resurfacing"]),
        ("surgeon_id", ["S1", "S1", "S2", "S2", "not recorded", "S1"]),
        ("sex", ["female", "female", "male", "female", "male", "female"]),
    ],
)
def test_groups_have_names(by, groups):
    points = cup_choice(cup_study(), cup_measurements(), **{**CHOICE, "by": by})
    assert points[by].tolist() == groups
    assert set(groups) <= set(group_names(cup_study(), by))


def test_summary_counts_every_study_hip():
    row = cup_orientation_summary(cup_study(), cup_measurements(), **VIEW).iloc[0]
    counts = ["n_patients", "n_hips", "n_no_value", "n_not_read", "n_inside"]
    assert row[counts].tolist() == [4, 5, 1, 1, 3]
    assert row["inclination_mean"] == pytest.approx((40 + 45 + 52 + 36 + 44) / 5)
    assert row["share_inside"] == pytest.approx(3 / 5)
    assert row["share_ci_low"] < 3 / 5 < row["share_ci_high"]


def test_figure_says_what_it_shows():
    figure = cup_orientation_figure(cup_study(), cup_measurements(), **VIEW)
    words = " ".join(text.get_text() for text in figure.findobj() if hasattr(text, "get_text"))
    assert "Cups at 6 weeks, read by R1" in words
    assert "Radiographic anteversion (°)" in words
    assert "n = 4 patients, 5 hips." in words.replace("\u00a0", " ")
    assert "Invented data." in words


def test_another_definition_is_named_and_drawn_without_zone():
    choice = {**VIEW, "definition": "operative", "zone": False}
    figure = cup_orientation_figure(cup_study(), cup_measurements(), **choice)
    axes = figure.axes[0]
    assert axes.get_xlabel() == "Operative anteversion (°)"
    assert len(axes.patches) == 0
    words = " ".join(text.get_text() for text in figure.findobj() if hasattr(text, "get_text"))
    assert "Converted from radiographic angles" in " ".join(words.split())


# by reference ---------------------------------------------------------------------------------------


# Murray DW, J Bone Joint Surg Br 1993;75:228-32: its relations between the definitions, worked out.
@pytest.mark.parametrize(
    ("hip", "definition", "inclination", "anteversion"),
    [
        ("H1", "operative", 38.38, 19.28),
        ("H1", "anatomical", 42.27, 22.63),
        ("H2", "operative", 41.64, 27.24),
        ("H2", "anatomical", 48.36, 27.24),
    ],
)
def test_conversion(hip, definition, inclination, anteversion):
    points = cup_choice(cup_study(), cup_measurements(), **{**CHOICE, "definition": definition})
    row = points.set_index("hip_id").loc[hip]
    assert row[["inclination", "anteversion"]].tolist() == pytest.approx(
        [inclination, anteversion], abs=0.006
    )


# by law ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("definition", ["operative", "anatomical"])
def test_a_conversion_needs_both_angles_and_loses_no_hip(definition):
    points = cup_choice(cup_study(), cup_measurements(), **{**CHOICE, "definition": definition})
    row = points.set_index("hip_id").loc["H6"]
    assert len(points) == 6
    assert row[["inclination", "inclination_sd", "anteversion", "anteversion_sd"]].isna().all()


def test_order_of_rows_does_not_matter():
    table = cup_measurements()
    shuffled = table.sample(frac=1, random_state=1)
    for function in (cup_choice, cup_orientation_summary):
        choice = CHOICE if function is cup_choice else VIEW
        pd.testing.assert_frame_equal(
            function(cup_study(), table, **choice), function(cup_study(), shuffled, **choice)
        )


def test_controls_replace_the_picture():
    panel = explore_cup_orientation(cup_study(), cup_measurements())
    controls, words, picture = controls_of(panel), panel.children[1], panel.children[2]
    assert bytes(picture.value).startswith(b"\x89PNG")
    seen = [bytes(picture.value)]
    for word, value in (("coloured by", "sex"), ("Zone", False), ("Angles", "anatomical")):
        controls[word].value = value
        assert bytes(picture.value) not in seen
        seen.append(bytes(picture.value))
    assert "<td" in words.value


def test_zone_is_offered_only_in_its_own_definition():
    panel = explore_cup_orientation(cup_study(), cup_measurements())
    controls, words = controls_of(panel), panel.children[1]
    assert not controls["Zone"].disabled
    assert "Inside the zone" in words.value
    controls["Angles"].value = "operative"
    assert controls["Zone"].disabled
    assert "Inside the zone" not in words.value
    controls["Angles"].value = "radiographic"
    assert "Inside the zone" in words.value


def test_no_figure_is_kept(monkeypatch):
    shown, alive = [], weakref.WeakSet()

    def picture_of(figure):
        shown.append(None)
        alive.add(figure)
        return b""

    monkeypatch.setattr("cohortlib.widgets.cup.picture_of", picture_of)
    panel = explore_cup_orientation(cup_study(), cup_measurements())
    for value in ("sex", "arm", "sex"):
        controls_of(panel)["coloured by"].value = value
    gc.collect()
    assert (len(shown), len(alive)) == (4, 0)


# by recovery ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("definition", ["operative", "anatomical"])
def test_sd_after_conversion_is_that_of_many_converted_measurements(definition):
    points = cup_choice(cup_study(), cup_measurements(), **{**CHOICE, "definition": definition})
    row = points.set_index("hip_id").loc["H2"]
    rng = np.random.default_rng(3)
    many = cup_orientation(
        rng.normal(45, 0.5, 100_000), rng.normal(20, 1.0, 100_000), given="radiographic", wanted=definition
    )
    assert row["inclination_sd"] == pytest.approx(many[0].std(), rel=0.02)
    assert row["anteversion_sd"] == pytest.approx(many[1].std(), rel=0.02)


# by failure -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"visit_id": "before"}, "no film of the visit 'Before' read by 'R1'. Expected one of R1 at 6 weeks"),
        ({"reader_id": "R9"}, "read by 'R9'.*R1 at 6 weeks, R2 at 6 weeks. Choose another visit or reader"),
        ({"by": "height"}, "by: found 'height'. Expected one of arm, surgeon_id, sex"),
        ({"definition": "lateral", "zone": False}, "found 'lateral'. Expected one of radiographic"),
        ({"definition": "operative"}, "found 'radiographic'. Expected operative, the definition looked at"),
    ],
)
def test_impossible_choices(changed, message):
    with pytest.raises(StudyError, match=message):
        cup_orientation_figure(cup_study(), cup_measurements(), **{**VIEW, **changed})
    with pytest.raises(StudyError, match=message):
        cup_orientation_summary(cup_study(), cup_measurements(), **{**VIEW, **changed})


def test_a_hip_the_study_does_not_know_is_not_dropped():
    stranger = cup_measurements().replace({"hip_id": {"H1": "H99"}})
    with pytest.raises(StudyError, match="arm: found no value"):
        cup_orientation_figure(cup_study(), stranger, **VIEW)


def test_a_choice_without_data_is_a_sentence():
    panel = explore_cup_orientation(cup_study(), cup_measurements())
    controls, words, picture = controls_of(panel), panel.children[1], panel.children[2]
    controls["Cups seen at"].value = "before"
    assert "Nothing to draw" in words.value
    assert "Choose another visit or reader" in words.value
    assert picture.layout.display == "none"
    controls["Cups seen at"].value = "week_6"
    assert picture.layout.display == "block"


def test_few_hips_have_no_interval():
    panel = explore_cup_orientation(cup_study(), cup_measurements())
    controls_of(panel)["by reader"].value = "R2"
    assert "too few patients" in panel.children[1].value


def test_nothing_measured_yet():
    panel = explore_cup_orientation(cup_study(), cup_measurements().head(0))
    assert "Nothing to draw" in panel.children[1].value


def test_a_study_without_zone():
    study = cup_study(thresholds=cup_study().thresholds.head(0))
    assert controls_of(explore_cup_orientation(study, cup_measurements()))["Zone"].disabled
    with pytest.raises(StudyError, match=r"found cup zone, inclination"):
        cup_orientation_figure(study, cup_measurements(), **VIEW)


def test_text_of_the_study_stays_text():
    study = cup_study(
        schedule=pd.DataFrame({"visit_id": ["before", "week_6"], "label": ["<b>Before", "6 w"]})
    )
    panel = explore_cup_orientation(study, cup_measurements())
    controls_of(panel)["Cups seen at"].value = "before"
    assert "&lt;b&gt;Before" in panel.children[1].value
