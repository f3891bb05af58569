"""Agreement of a study's readers, from its marks and gradings alone."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortlib.errors import StudyError
from cohortlib.stats.agreement import agreement_overview, hip_gradings, study_agreement
from cohortlib.stats.agreement.study_readers import GRADES, NOT_ASSESSABLE
from cohortlib.tables import MEASUREMENT_COLUMNS, Study

PATIENTS = 8
#: Grade of each patient's hip by R1, by R2, and by R1 again; R2 goes astray once, R1 could not see one again.
GRADED = {
    ("R1", 1): ["none"] * 4 + ["incomplete", "incomplete", "complete", "complete"],
    ("R2", 1): ["none"] * 4 + ["incomplete", "complete", "complete", "complete"],
    ("R1", 2): ["none"] * 4 + ["incomplete", "incomplete", "complete", NOT_ASSESSABLE],
    ("R3", 1): [None] * 5 + ["complete", None, None],
}


def a_study(**readings: object) -> Study:
    """Eight patients with a left hip and a film each; R3 decides the film on which R1 and R2 differ."""
    numbers = [f"{number}" for number in range(PATIENTS)]
    rows = [
        (f"I{number}", reader, repeat, state)
        for (reader, repeat), states in GRADED.items()
        for number, state in zip(numbers, states, strict=True)
        if state is not None
    ]
    gradings = pd.DataFrame(rows, columns=["image_id", "reader_id", "repeat", "state"])
    tables = {
        "images": pd.DataFrame(
            {"image_id": [f"I{n}" for n in numbers], "patient_id": numbers, "visit_id": "v"}
        ),
        "hips": pd.DataFrame({"hip_id": [f"H{n}" for n in numbers], "patient_id": numbers, "side": "left"}),
        "gradings": gradings.assign(side="left", zone_system="cup_3", zone="1"),
    }
    about = dict.fromkeys(("folder", "title", "comparator", "arms", "schedule", "instruments", "thresholds"))
    rest = {"endpoint": {}, "data_cut": None, "synthetic": True}
    return Study(**about, **rest, tables=tables, readings=readings)  # type: ignore[arg-type]


def measurements() -> pd.DataFrame:
    """Inclination of the same hips: R2 reads 2° more, R1 half a degree more or less the second time."""
    true = np.linspace(30, 50, PATIENTS)
    again = np.where(np.arange(PATIENTS) % 2, 0.5, -0.5)
    values = {("R1", 1): true, ("R2", 1): true + 2, ("R1", 2): true + again, ("R3", 1): true + 9}
    rows = [
        (f"H{n}", f"{n}", f"I{n}", reader, repeat, value)
        for (reader, repeat), column in values.items()
        for n, value in enumerate(column)
        if reader != "R3" or n == 5
    ]
    table = pd.DataFrame(
        rows, columns=["hip_id", "patient_id", "image_id", "reader_id", "repeat", "value"]
    ).assign(visit_id="v", quantity="inclination", zone="", unit="deg", sd=np.nan, method="rim", note="")
    return table[list(MEASUREMENT_COLUMNS)]


# by hand --------------------------------------------------------------------------------------------------


def test_repeats_and_pairs_of_numbers_and_grades_are_found_and_who_decides_is_in_none() -> None:
    found = study_agreement(a_study(adjudicator="R3"), measurements(), weights="linear", seed=1)
    comparisons = found[["kind", "comparison"]].drop_duplicates().to_numpy().tolist()
    assert comparisons == [
        ["within reader", "R1 repeat 1 − R1 repeat 2"],
        ["between readers", "R1 repeat 1 − R2 repeat 1"],
    ]
    at = found.set_index(["quantity", "kind", "measure", "category"])["estimate"].sort_index()
    inclination, line = at.loc["inclination"], at.loc["radiolucent line, cup_3"]
    assert inclination.loc["between readers", "bias", ""] == pytest.approx(-2)
    # SEM: a difference of 0.5° each time within, and 2° each time between.
    name = "standard error of measurement, "
    assert inclination.loc["within reader", name + "repeats", ""] == pytest.approx(np.sqrt(0.25 / 2))
    assert inclination.loc["between readers", name + "agreement", ""] == pytest.approx(np.sqrt(2))
    # Seven of eight alike, and one a step of two apart: (7 + 1/2) / 8.
    assert line.loc["between readers", "observed agreement", ""] == pytest.approx(7.5 / 8)
    # By chance, grades of R1 4 2 2 and of R2 4 1 3: 1 − (steps apart)/2, weighted by what is expected.
    expected = 1 - (4 * (1 * 0.5 + 3 * 1) + 2 * (4 * 0.5 + 3 * 0.5) + 2 * (4 * 1 + 1 * 0.5)) / 64
    assert line.loc["between readers", "kappa", ""] == pytest.approx((7.5 / 8 - expected) / (1 - expected))
    assert line.loc["between readers", "prevalence", "none"] == pytest.approx(8 / 16)
    assert {"Gwet AC", "PABAK"} <= set(line.loc["between readers"].index.get_level_values("measure"))
    # Read again, seven could be graded and all alike; one not the second time.
    assert line.loc["within reader", "observed agreement", ""] == 1
    assert line.loc["within reader", "assessable or not: observed agreement", ""] == pytest.approx(7 / 8)


def test_who_decides_has_to_be_named() -> None:
    found = study_agreement(a_study(), measurements(), weights="linear", seed=1)
    assert found["comparison"].str.contains("R3").any()


def test_nothing_read_twice_gives_no_row() -> None:
    study = a_study()
    alone = {**study.tables, "gradings": study.gradings[study.gradings["reader_id"] == "R3"]}
    object.__setattr__(study, "tables", alone)
    rows = measurements()
    assert study_agreement(study, rows[rows["reader_id"] == "R3"], weights=None, seed=1).empty


# by law ---------------------------------------------------------------------------------------------------


def test_it_is_the_overview_of_numbers_and_of_grades() -> None:
    study = a_study(adjudicator="R3")
    found = study_agreement(study, measurements(), weights="quadratic", seed=2)
    graded = hip_gradings(study.gradings, study.images, study.hips)
    numbers = agreement_overview(measurements(), adjudicator="R3", seed=2)
    grades = agreement_overview(
        graded, grades=GRADES, weights="quadratic", not_assessable=NOT_ASSESSABLE, adjudicator="R3"
    )
    pd.testing.assert_frame_equal(found, pd.concat([numbers, grades], ignore_index=True))


# by failure -----------------------------------------------------------------------------------------------


def test_a_grading_without_a_hip_is_told() -> None:
    study = a_study()
    object.__setattr__(study, "tables", {**study.tables, "hips": study.hips.assign(side="right")})
    with pytest.raises(StudyError, match="with a study hip"):
        study_agreement(study, measurements(), weights=None, seed=1)
