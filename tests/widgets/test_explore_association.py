"""The panel of scores and cups, its table and its figure without controls."""

from __future__ import annotations

import gc
from pathlib import Path

import ipywidgets
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from cohortlib.errors import StudyError
from cohortlib.outcomes.questionnaires import questionnaire_scores
from cohortlib.stats.association import association
from cohortlib.study import read_study
from cohortlib.tables import MEASUREMENT_COLUMNS, Study
from cohortlib.widgets.association import explore_association
from cohortlib.widgets.association_choice import STATUS, hips_with_scores, target_orientation
from cohortlib.widgets.association_view import association_figure, association_summary

FILM = {"image_visit_id": "week_6", "reader_id": "R1"}
CHOICE = {**FILM, "exposure": "distance", "score_visit_id": "month_12"}
VIEW = {**CHOICE, "arm": "all", "unit_of_analysis": "hip", "adjusted": True}

#: hip, patient, arm, inclination, anteversion on the film (None: no value; no entry: no film).
HIPS = [
    ("H1", "P1", "resurfacing", 43.0, 19.0),
    ("H2", "P1", "short_stem", 40.0, 15.0),
    ("H3", "P2", "resurfacing", 50.0, 15.0),
    ("H4", "P3", "short_stem", 40.0, 21.0),
    ("H5", "P4", "short_stem", 48.0, 9.0),
    ("H6", "P5", "resurfacing", 40.0, None),
    ("H7", "P6", "resurfacing", 41.0, 15.0),
    ("H8", "P7", "short_stem", 41.0, 16.0),
]
NO_FILM = ("H9", "P8", "short_stem")
#: Patient to score at 12 months; P6 has no form, P7 a form without a score.
SCORES = {"P1": 44.0, "P2": 40.0, "P3": 45.0, "P4": 41.0, "P5": 39.0, "P7": np.nan, "P8": 30.0}


def small_study(**changed) -> Study:
    """Eight patients, nine hips; only what the panel looks at."""
    hips = pd.DataFrame([row[:3] for row in HIPS] + [NO_FILM], columns=["hip_id", "patient_id", "arm"])
    patients = pd.DataFrame({"patient_id": hips["patient_id"].unique(), "sex": "female"})
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
        "schedule": pd.DataFrame({"visit_id": ["week_6", "month_12"], "label": ["6 weeks", "12 months"]}),
        "instruments": pd.DataFrame({"instrument": ["oxford_hip_score"]}),
        "thresholds": pd.DataFrame(thresholds),
        "endpoint": {"instrument": "oxford_hip_score", "visit_id": "month_12"},
        "data_cut": None,
        "synthetic": True,
        "tables": {"hips": hips.assign(surgeon_id="S1"), "patients": patients},
    }
    return Study(**(parts | changed))


def small_measurements() -> pd.DataFrame:
    rows = []
    for hip, patient, _, *angles in HIPS:
        for quantity, value in zip(("inclination", "anteversion"), angles, strict=True):
            known = value is not None
            rows.append((hip, patient, quantity, value if known else np.nan, 1.0 if known else np.nan))
    table = pd.DataFrame(rows, columns=["hip_id", "patient_id", "quantity", "value", "sd"])
    table = table.assign(visit_id="week_6", image_id="I" + table["patient_id"], reader_id="R1", repeat=1)
    return table.assign(zone="", unit="deg", method="", note="")[list(MEASUREMENT_COLUMNS)]


def small_scores() -> pd.DataFrame:
    table = pd.DataFrame({"patient_id": list(SCORES), "value": list(SCORES.values())})
    return table.assign(visit_id="month_12", instrument="oxford_hip_score")


SMALL = (small_study(), small_measurements(), small_scores())


@pytest.fixture(scope="module")
def demo():
    """The demo study, its scores, and measurements that are its truth with the noise of a reading."""
    folder = Path(__file__).parents[2] / "synthetic_cohort"
    study = read_study(folder)
    truth = pd.read_csv(folder / "truth.csv")
    films = truth[truth["image_id"].notna() & truth["quantity"].isin(["inclination", "anteversion"])]
    noise = np.random.default_rng(6).normal(0, 0.5, len(films))
    table = films.assign(value=films["value"] + noise, sd=0.5, reader_id="R1", repeat=1, zone="", method="")
    table["patient_id"] = table["hip_id"].map(study.hips.set_index("hip_id")["patient_id"])
    table = table.assign(note="")[list(MEASUREMENT_COLUMNS)]
    return study, table, questionnaire_scores(study.answers), truth


def controls_of(panel: ipywidgets.VBox) -> dict[str, ipywidgets.ValueWidget]:
    found = [piece.children[1] for line in panel.children[0].children for piece in line.children]
    return dict(zip(("score", "exposure", "arm", "unit", "adjusted"), found, strict=True))


# by hand --------------------------------------------------------------------------------------------------


def test_target_is_the_middle_of_the_zone():
    assert target_orientation(small_study()) == (40, 15)


def test_every_hip_of_the_study_has_a_row_and_a_status():
    table = hips_with_scores(*SMALL, **CHOICE).set_index("hip_id")
    assert table["distance"].loc[["H1", "H2", "H3", "H4", "H5"]].tolist() == [5, 0, 10, 6, 10]
    assert table["status"].to_dict() == {
        **dict.fromkeys(["H1", "H2", "H3", "H4", "H5"], "analysed"),
        "H6": "film gives no value",
        "H7": "no form",
        "H8": "form without a score",
        "H9": "no film read",
    }
    assert table.loc[["H1", "H2"], "score"].tolist() == [44, 44]  # the patient's, beside both of his hips
    assert set(table["status"]) == set(STATUS)


def test_one_angle_needs_only_that_angle():
    table = hips_with_scores(*SMALL, **CHOICE | {"exposure": "inclination"}).set_index("hip_id")
    assert table.loc["H6", ["inclination", "status"]].tolist() == [40, "analysed"]


def test_summary_counts_what_is_lost():
    row = association_summary(*SMALL, **VIEW | {"adjusted": False}).iloc[0]
    assert row[["n_patients", "n_hips", "n_two_hips"]].tolist() == [4, 5, 1]
    lost = ["n_no_film_read", "n_film_gives_no_value", "n_no_form", "n_form_without_a_score"]
    assert row[lost].tolist() == [1, 1, 1, 1]
    assert row["n_missing"] == 4
    # Distances 5 0 10 6 10 about 6.2, scores 44 44 40 45 41 about 42.8: −26.8 over 68.8.
    assert row["estimate"] == pytest.approx(-26.8 / 68.8)
    assert "exploratory" in row["note"]


def test_one_arm_alone():
    row = association_summary(*SMALL, **VIEW | {"arm": "short_stem", "adjusted": False}).iloc[0]
    assert row[["n_patients", "n_hips"]].tolist() == [3, 3]
    assert row[["n_no_film_read", "n_film_gives_no_value"]].tolist() == [1, 0]


def test_a_patient_with_a_hip_in_each_arm_can_be_the_unit():
    row = association_summary(*SMALL, **VIEW | {"unit_of_analysis": "patient"}).iloc[0]
    assert np.isfinite(row["estimate"])
    assert "adjusted for arm resurfacing" in row["method"]


def test_panel_begins_with_the_endpoint():
    panel = explore_association(*SMALL, **FILM)
    controls = controls_of(panel)
    values = [control.value for control in controls.values()]
    assert values == ["month_12", "distance", "all", "hip", True]
    _, words, picture = panel.children
    assert bytes(picture.value).startswith(b"\x89PNG")
    assert "exploratory" in words.value
    assert "1 no film read, 1 no value, 1 no form, 1 no score" in words.value


def test_a_visit_without_forms_is_not_offered():
    schedule = small_study().schedule.assign(examinations=[("densitometry",), None])
    panel = explore_association(small_study(schedule=schedule), small_measurements(), small_scores(), **FILM)
    assert controls_of(panel)["score"].options == (("12 months", "month_12"),)


def test_within_one_arm_there_is_nothing_to_adjust_for():
    panel = explore_association(*SMALL, **FILM)
    controls = controls_of(panel)
    controls["arm"].value = "short_stem"
    assert controls["adjusted"].disabled
    assert panel.children[2].layout.display == "block"
    controls["arm"].value = "all"
    assert not controls["adjusted"].disabled


def test_a_choice_without_data_is_a_sentence():
    panel = explore_association(*SMALL, **FILM)
    controls_of(panel)["score"].value = "week_6"
    _, words, picture = panel.children
    assert "Nothing to draw" in words.value
    assert "no hip with both values" in words.value
    assert picture.layout.display == "none"
    controls_of(panel)["score"].value = "month_12"
    assert picture.layout.display == "block"


def test_a_reader_who_read_nothing_is_a_sentence():
    words = explore_association(*SMALL, image_visit_id="week_6", reader_id="<b>R7</b>").children[1].value
    assert "Nothing to draw" in words
    assert "&lt;b&gt;R7" in words


# by reference ---------------------------------------------------------------------------------------------


def test_arm_held_constant_as_the_category_is(demo):
    # The statistic's own coding of a category is the reference.
    study, measurements, scores, _ = demo
    row = association_summary(study, measurements, scores, **VIEW).iloc[0]
    hips = hips_with_scores(study, measurements, scores, **CHOICE)
    wanted = association(
        hips,
        outcome="score",
        exposure="distance",
        cluster="patient_id",
        covariates=["arm"],
        unit_of_analysis="hip",
        primary=False,
        unit="{score}/deg",
    ).iloc[0]
    for column in ("estimate", "ci_low", "ci_high", "df", "n_patients", "n_hips"):
        assert row[column] == pytest.approx(wanted[column]), column


# by law ---------------------------------------------------------------------------------------------------


def test_order_of_the_rows_does_not_matter(demo):
    study, measurements, scores, _ = demo
    one = association_summary(study, measurements, scores, **VIEW)
    mixed = (table.sample(frac=1, random_state=3) for table in (measurements, scores))
    two = association_summary(study, *mixed, **VIEW)
    pd.testing.assert_frame_equal(one, two)


def test_turning_controls_keeps_no_figure(demo):
    study, measurements, scores, _ = demo
    controls = controls_of(explore_association(study, measurements, scores, **FILM))

    def figures() -> int:
        gc.collect()
        return sum(isinstance(each, Figure) for each in gc.get_objects())

    before = figures()
    for exposure in ("inclination", "anteversion", "distance"):
        controls["exposure"].value = exposure
    for arm in ("resurfacing", "all"):
        controls["arm"].value = arm
    controls["unit"].value = "patient"
    assert figures() <= before


# by recovery ----------------------------------------------------------------------------------------------


def test_distances_are_those_put_in(demo):
    study, measurements, scores, truth = demo
    table = hips_with_scores(study, measurements, scores, **CHOICE)
    films = truth[truth["visit_id"] == "week_6"].pivot_table(
        index="hip_id", columns="quantity", values="value"
    )
    true = np.hypot(films["inclination"] - 40, films["anteversion"] - 15)
    error = (table.set_index("hip_id")["distance"] - true).dropna()
    assert len(error) > 60
    assert error.std() < 0.7
    assert table["distance_sd"].dropna().to_numpy() == pytest.approx(0.5)


def test_every_choice_of_the_demo_gives_a_figure(demo):
    study, measurements, scores, _ = demo
    offered = controls_of(explore_association(study, measurements, scores, **FILM))["score"].options
    assert {"before", "month_12"} <= {visit for _, visit in offered}
    for _, visit in offered:
        figure = association_figure(study, measurements, scores, **VIEW | {"score_visit_id": visit})
        assert isinstance(figure, Figure)


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"exposure": "tilt"}, "exposure: found 'tilt'"),
        ({"score_visit_id": "year_9"}, "score_visit_id: found 'year_9'"),
        ({"arm": "third"}, "arm: found 'third'"),
        ({"arm": "short_stem"}, "Choose all hips, or do not adjust"),
        ({"reader_id": "R7"}, "read by 'R7'"),
        ({"unit_of_analysis": "film"}, "one of 'hip', 'patient'"),
        ({"score_visit_id": "week_6", "adjusted": False}, "no hip with both values"),
    ],
)
def test_wrong_choice(change, match):
    with pytest.raises(StudyError, match=match):
        association_figure(*SMALL, **VIEW | change)


@pytest.mark.parametrize(
    ("study", "scores", "match"),
    [
        (small_study(thresholds=small_study().thresholds.iloc[:0]), SMALL[2], "cup zone, inclination"),
        (
            small_study(thresholds=small_study().thresholds.assign(definition="operative")),
            SMALL[2],
            "found 'operative'. Expected radiographic",
        ),
        (small_study(endpoint={"visit_id": "month_12"}), SMALL[2], "found no instrument"),
        (SMALL[0], pd.concat([SMALL[2], SMALL[2].head(1)]), r"patient_id: found 'P1' \(2 rows\)"),
    ],
)
def test_wrong_study(study, scores, match):
    with pytest.raises(StudyError, match=match):
        hips_with_scores(study, SMALL[1], scores, **CHOICE)
