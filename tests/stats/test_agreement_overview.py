import functools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.stats.agreement import agreement_overview, hip_gradings, kappa, reader_agreement
from cohortlib.stats.agreement.comparisons import comparisons_found
from cohortlib.tables import ESTIMATE_COLUMNS, MEASUREMENT_COLUMNS

GRADES = ("none", "incomplete", "complete")
UNSURE = "not assessable"


def readings(rows, *, quantity="inclination", zone="", unit="deg"):
    """Rows of (patient, hip, image, reader, repeat, value)."""
    names = ["patient_id", "hip_id", "image_id", "reader_id", "repeat", "value"]
    table = pd.DataFrame(rows, columns=names).assign(
        visit_id="week_6", quantity=quantity, zone=zone, unit=unit, sd=np.nan, method="rim", note=""
    )
    return table[list(MEASUREMENT_COLUMNS)]


def reader_study(seed, *, patients=24, error=1.0, shifts=(0.0, 0.8, -0.5), repeats=True):
    """Three readers with steady shifts; R1 reads a third again; every third patient has two hips."""
    rng, rows = np.random.default_rng(seed), []
    for patient in range(patients):
        for side in "LR"[: 1 + (patient % 3 == 0)]:
            true = rng.normal(42, 6)
            reader_repeats = [(f"R{reader + 1}", 1, shift) for reader, shift in enumerate(shifts)]
            if repeats and patient % 3 == 0:
                reader_repeats.append(("R1", 2, 0.0))
            rows += [
                (
                    f"p{patient}",
                    f"p{patient}{side}",
                    f"i{patient}",
                    reader,
                    repeat,
                    true + shift + rng.normal(0, error),
                )
                for reader, repeat, shift in reader_repeats
            ]
    return readings(rows)


def graded_study(seed, *, patients=30, unsure=0.1):
    """Two readers grade two zones; some zones cannot be graded."""
    rng, rows = np.random.default_rng(seed), []
    for patient in range(patients):
        truth = rng.integers(0, 3)
        for reader in ("R1", "R2"):
            grade = GRADES[int(np.clip(truth + rng.integers(-1, 2) * (rng.random() < 0.3), 0, 2))]
            rows.append(
                (
                    f"p{patient}",
                    f"p{patient}L",
                    f"i{patient}",
                    reader,
                    1,
                    UNSURE if rng.random() < unsure else grade,
                )
            )
    one = readings(rows, quantity="radiolucent line, cup_3", zone="1", unit="")
    return pd.concat([one, one.assign(zone="2")], ignore_index=True)


@functools.cache
def overview_of_24_patients():
    return agreement_overview(reader_study(1), seed=1)


def row_of(table, **wanted):
    for column, value in wanted.items():
        table = table[table[column] == value]
    assert len(table) == 1, wanted
    return table.iloc[0]


# by hand --------------------------------------------------------------------------------------------------


def test_repeats_and_pairs_are_found():
    found = comparisons_found(
        pd.DataFrame({"reader_id": ["R2", "R1", "R1", "R1", "R3"], "repeat": [2, 1, 3, 2, 1]})
    )
    assert [(each.kind, each.name) for each in found] == [
        ("within reader", "R1 repeat 1 − R1 repeat 2"),
        ("within reader", "R1 repeat 1 − R1 repeat 3"),
        ("between readers", "R1 repeat 1 − R2 repeat 2"),
        ("between readers", "R1 repeat 1 − R3 repeat 1"),
        ("between readers", "R2 repeat 2 − R3 repeat 1"),
        ("all readers", "R1 repeat 1, R2 repeat 2, R3 repeat 1"),
    ]


def test_one_reader_who_read_once_gives_no_row():
    found = agreement_overview(readings([("p1", "p1L", "i1", "R1", 1, 40.0)]), seed=1)
    assert found.empty
    assert list(found.columns[-len(ESTIMATE_COLUMNS) :]) == list(ESTIMATE_COLUMNS)


def test_the_form_of_every_number_is_named():
    table = overview_of_24_patients()
    measures = {kind: part["measure"].unique().tolist() for kind, part in table.groupby("kind", sort=False)}
    assert measures["within reader"] == [
        "bias",
        "lower limit",
        "upper limit",
        "ICC(1,1)",
        "standard error of measurement, repeats",
        "smallest detectable change, repeats",
    ]
    assert measures["between readers"][3:5] == ["ICC(2,1)", "standard error of measurement, agreement"]
    assert measures["all readers"][0] == "ICC(2,1)"
    changes = table[table["measure"].str.startswith("smallest")]["estimate"].to_numpy()
    errors = table[table["measure"].str.startswith("standard")]["estimate"].to_numpy()
    assert changes == pytest.approx(1.96 * np.sqrt(2) * errors)


def test_counts_of_patients_hips_and_images_stand_in_every_row():
    rows = reader_study(1)
    rows.loc[(rows["hip_id"] == "p3L") & (rows["reader_id"] == "R2"), "value"] = np.nan
    table = agreement_overview(rows, seed=1)
    within = row_of(table, kind="within reader", measure="bias")
    counts = ["n_subjects", "n_images", "n_no_value", "n_read_once", "n_patients", "n_hips"]
    assert within[counts].tolist() == [16, 8, 0, 16, 8, 16]
    between = row_of(table, comparison="R1 repeat 1 − R2 repeat 1", measure="bias")
    assert between[counts].tolist() == [31, 24, 1, 0, 24, 31]
    together = row_of(table, kind="all readers", measure="ICC(2,1)")
    assert together[counts].tolist() == [31, 24, 1, 0, 24, 31]


def test_a_zone_that_cannot_be_graded_has_no_place_on_the_scale():
    rows = readings(
        [
            ("p1", "p1L", "i1", "R1", 1, "none"),
            ("p1", "p1L", "i1", "R2", 1, "none"),
            ("p2", "p2L", "i2", "R1", 1, "complete"),
            ("p2", "p2L", "i2", "R2", 1, UNSURE),
            ("p3", "p3L", "i3", "R1", 1, "complete"),
            ("p3", "p3L", "i3", "R2", 1, "complete"),
            ("p4", "p4L", "i4", "R1", 1, "none"),
            ("p4", "p4L", "i4", "R2", 1, "incomplete"),
            ("p5", "p5L", "i5", "R1", 1, "none"),
        ],
        quantity="line",
        zone="1",
    )
    table = agreement_overview(rows, grades=GRADES, weights="linear", not_assessable=UNSURE)
    agreed = row_of(table, measure="observed agreement")
    assert agreed["estimate"] == pytest.approx(2.5 / 3)
    assert agreed[["n_subjects", "n_no_value", "n_read_once"]].tolist() == [3, 1, 1]
    apart = row_of(table, measure="assessable or not: observed agreement")
    assert (apart["estimate"], apart["n_subjects"]) == (0.75, 4)
    shares = table[table["measure"] == "prevalence"].set_index("category")["estimate"]
    assert shares.to_dict() == pytest.approx({"none": 3 / 6, "incomplete": 1 / 6, "complete": 2 / 6})


def test_gradings_find_their_hips():
    gradings = pd.DataFrame(
        {
            "image_id": ["i1", "i1"],
            "reader_id": "R1",
            "repeat": 1,
            "side": ["right", "left"],
            "zone_system": "cup_3",
            "zone": ["1", "1"],
            "state": ["none", "complete"],
        }
    )
    images = pd.DataFrame({"image_id": ["i1"], "patient_id": ["p1"], "visit_id": ["week_6"]})
    hips = pd.DataFrame({"hip_id": ["h1", "h2"], "patient_id": "p1", "side": ["left", "right"]})
    found = hip_gradings(gradings, images, hips)
    assert list(found.columns) == list(MEASUREMENT_COLUMNS)
    assert found[["hip_id", "value", "quantity", "zone"]].to_numpy().tolist() == [
        ["h2", "none", "radiolucent line, cup_3", "1"],
        ["h1", "complete", "radiolucent line, cup_3", "1"],
    ]


def test_who_decides_where_two_differ_is_compared_with_nobody():
    rows = reader_study(1, patients=6)
    third = rows[(rows["reader_id"] == "R1") & (rows["repeat"] == 1)].iloc[:3].assign(reader_id="R9")
    both = pd.concat([rows, third], ignore_index=True)
    named = agreement_overview(both, adjudicator="R9", seed=1)
    pd.testing.assert_frame_equal(named, agreement_overview(rows, seed=1))
    assert agreement_overview(both, seed=1)["comparison"].str.contains("R9").any()


def test_few_data_give_a_note_and_no_number():
    table = agreement_overview(reader_study(1, patients=2, repeats=False), seed=1)
    assert table["estimate"].isna().all()
    assert table["note"].str.contains("no estimate").all()
    graded = agreement_overview(graded_study(1, patients=2), grades=GRADES, not_assessable=UNSURE)
    assert graded["estimate"].isna().all()


# by reference: the parts are checked in test_kappa, test_limits, test_intraclass and test_detectable ------


def test_a_row_is_the_one_of_the_single_function():
    table = overview_of_24_patients()
    readers = {"first": ("R1", 1), "second": ("R3", 1)}
    alone = reader_agreement(reader_study(1), quantity="inclination", **readers, seed=1)
    for measure in ("bias", "ICC(2,1)", "smallest detectable change, agreement"):
        found = row_of(table, comparison="R1 repeat 1 − R3 repeat 1", measure=measure)
        for column in ("estimate", "ci_low", "ci_high"):
            assert found[column] == alone.set_index("measure").loc[measure, column]


def test_a_row_of_grades_is_that_of_kappa():
    rows = graded_study(3, unsure=0.0)
    table = agreement_overview(rows, grades=GRADES, weights="quadratic", not_assessable=UNSURE)
    alone = kappa(
        rows[rows["zone"] == "1"],
        subject="hip_id",
        rater="reader_id",
        value="value",
        categories=GRADES,
        weights="quadratic",
    )
    found = table[table["zone"] == "1"]
    assert found["measure"].tolist() == alone["measure"].tolist()
    assert found["estimate"].to_numpy() == pytest.approx(alone["estimate"].to_numpy())


# by law ---------------------------------------------------------------------------------------------------


@settings(max_examples=5, deadline=None)
@given(st.randoms(use_true_random=False))
def test_order_of_rows_does_not_matter(random):
    rows = graded_study(4)
    shuffled = rows.sample(frac=1, random_state=random.randrange(1000))
    options = {"grades": GRADES, "weights": "linear", "not_assessable": UNSURE}
    pd.testing.assert_frame_equal(
        agreement_overview(rows, **options), agreement_overview(shuffled, **options), check_exact=False
    )


def test_every_quantity_and_zone_stands_for_itself():
    both = graded_study(5)
    table = agreement_overview(both, grades=GRADES, not_assessable=UNSURE)
    one = agreement_overview(both[both["zone"] == "2"], grades=GRADES, not_assessable=UNSURE)
    pd.testing.assert_frame_equal(table[table["zone"] == "2"].reset_index(drop=True), one)


# by recovery ----------------------------------------------------------------------------------------------


def test_known_error_and_shift_are_found_again():
    table = agreement_overview(reader_study(6, patients=60, error=1.2), seed=1)
    within = row_of(table, kind="within reader", measure="standard error of measurement, repeats")
    assert within["ci_low"] < 1.2 < within["ci_high"]
    bias = row_of(table, comparison="R2 repeat 1 − R3 repeat 1", measure="bias")
    assert bias["ci_low"] < 1.3 < bias["ci_high"]
    # Agreement error between R2 and R3: √(1.2² + 1.3²/2).
    error = row_of(
        table, comparison="R2 repeat 1 − R3 repeat 1", measure="standard error of measurement, agreement"
    )
    assert error["estimate"] == pytest.approx(np.sqrt(1.44 + 0.845), abs=0.25)
    correlation = row_of(table, kind="all readers", measure="ICC(2,1)")
    # Variance of shifts 0, 0.8, −0.5: 0.43.
    assert correlation["estimate"] == pytest.approx(36 / (36 + 1.44 + 0.43), abs=0.03)


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {}, "cluster, seed"),
        ({}, {"seed": 1, "weights": "linear"}, "words for grades, and no grades"),
        ({"reader_id": None}, {"seed": 1}, "reader_id: found no value"),
        ({}, {"grades": GRADES}, r"value: found .* Expected one of the declared categories"),
        ({"value": "none"}, {"grades": ("none", UNSURE), "not_assessable": UNSURE}, "Take it out of grades"),
        ({"image_id": "i1", "hip_id": "h"}, {"seed": 1}, "Keep one method and one row a reading"),
    ],
)
def test_wrong_input(change, options, match):
    table = reader_study(1, patients=4).assign(**change)
    with pytest.raises(StudyError, match=match):
        agreement_overview(table, **options)


@pytest.mark.parametrize(
    ("side", "image", "match"),
    [("right", "i1", "i1, right.* with a study hip"), ("left", "i9", "i9, left.* with a study hip")],
)
def test_a_grading_of_no_study_hip(side, image, match):
    gradings = pd.DataFrame(
        {"image_id": [image], "reader_id": "R1", "repeat": 1, "side": side, "zone_system": "cup_3"}
    ).assign(zone="1", state="none")
    images = pd.DataFrame({"image_id": ["i1"], "patient_id": ["p1"], "visit_id": ["week_6"]})
    hips = pd.DataFrame({"hip_id": ["h1"], "patient_id": ["p1"], "side": ["left"]})
    with pytest.raises(StudyError, match=match):
        hip_gradings(gradings, images, hips)
