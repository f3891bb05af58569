import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.stats.agreement import (
    limits_of_agreement,
    reader_agreement,
    reading_pairs,
    smallest_detectable_change,
)
from cohortlib.tables import ESTIMATE_COLUMNS, MEASUREMENT_COLUMNS

BETWEEN = {"quantity": "inclination", "first": ("reader_a", 1), "second": ("reader_b", 1)}
WITHIN = {"quantity": "inclination", "first": ("reader_a", 1), "second": ("reader_a", 2)}


def measurements(*rows):
    """Rows of (patient, hip, image, reader, repeat, value)."""
    names = ["patient_id", "hip_id", "image_id", "reader_id", "repeat", "value"]
    table = pd.DataFrame(rows, columns=names).assign(
        visit_id="week_6", quantity="inclination", zone="", unit="deg", sd=np.nan, method="rim", note=""
    )
    return table[list(MEASUREMENT_COLUMNS)]


def small_study():
    return measurements(
        ("p1", "p1L", "i1", "reader_a", 1, 40.0),
        ("p1", "p1L", "i1", "reader_b", 1, 41.0),
        ("p1", "p1L", "i1", "reader_a", 2, 40.5),
        ("p1", "p1R", "i1", "reader_a", 1, 45.0),
        ("p1", "p1R", "i1", "reader_b", 1, np.nan),
        ("p2", "p2L", "i2", "reader_a", 1, 50.0),
    )


def reader_study(seed, *, films=2, shift=0.8, error=1.2, patients=40):
    """Two readers, known shift and error; every third patient with two hips."""
    rng = np.random.default_rng(seed)
    rows = []
    for patient in range(patients):
        for side in "LR"[: 1 + (patient % 3 == 0)]:
            true = rng.normal(42, 6)
            for film in range(films):
                for reader, bias in (("reader_a", 0.0), ("reader_b", shift)):
                    value = true + bias + rng.normal(0, error)
                    rows.append((f"p{patient}", f"p{patient}{side}", f"i{patient}-{film}", reader, 1, value))
    return measurements(*rows)


# by hand --------------------------------------------------------------------------------------------------


def test_reader_against_reader():
    pairs = reading_pairs(small_study(), **BETWEEN).set_index("hip_id")
    assert pairs.loc["p1L", ["first", "second"]].tolist() == [40, 41]
    assert pairs["status"].to_dict() == {"p1L": "paired", "p1R": "no value", "p2L": "read once"}
    assert pairs["patient_id"].to_dict() == {"p1L": "p1", "p1R": "p1", "p2L": "p2"}
    assert set(pairs["unit"]) == {"deg"}


def test_reader_against_himself():
    pairs = reading_pairs(small_study(), **WITHIN).set_index("hip_id")
    assert pairs.loc["p1L", ["first", "second"]].tolist() == [40, 40.5]
    assert pairs["status"].tolist().count("read once") == 2


def test_unlike_notes_stand_side_by_side():
    table = small_study()
    table.loc[1, "note"] = "rim hidden"
    assert reading_pairs(table, **BETWEEN)["note"].iloc[0] == "rim hidden"
    table.loc[0, "note"] = "rotated"
    assert reading_pairs(table, **BETWEEN)["note"].iloc[0] == "rotated | rim hidden"


def test_empty_columns_are_no_trouble():
    table = small_study().assign(zone=np.nan, note=np.nan, repeat=lambda t: t["repeat"].astype("Int64"))
    assert len(reading_pairs(table, **BETWEEN)) == 3


def test_report_counts_what_it_used_and_what_it_did_not():
    table = reader_agreement(small_study(), **BETWEEN, seed=1)
    counts = ["n_pairs", "n_images", "n_no_value", "n_read_once", "n_patients", "n_hips"]
    assert table.loc[0, counts].tolist() == [1, 1, 1, 1, 1, 1]
    assert table["estimate"].isna().all()
    assert table["note"].str.contains("no estimate").all()
    assert list(table.columns[-len(ESTIMATE_COLUMNS) :]) == list(ESTIMATE_COLUMNS)


# by reference: the parts are checked in test_limits, test_intraclass and test_detectable -------------------


def test_one_film_a_patient_gives_the_closed_forms():
    table = reader_study(1, films=1)
    table = table[table["hip_id"].str.endswith("L")]
    report = reader_agreement(table, **BETWEEN, seed=1).set_index("measure")
    pairs = reading_pairs(table, **BETWEEN)
    limits = limits_of_agreement(pairs, first="first", second="second").iloc[0]
    assert report.loc["upper limit", "ci_high"] == limits["upper_ci_high"]
    long = pairs.melt(id_vars="image_id", value_vars=["first", "second"])
    change = smallest_detectable_change(long, subject="image_id", rater="variable", value="value")
    found = report.loc["smallest detectable change, repeats", "ci_high"]
    assert found == pytest.approx(change.loc[0, "ci_high"])
    assert not report["method"].str.contains("bootstrap").any()


# by law ---------------------------------------------------------------------------------------------------


@settings(max_examples=20, deadline=None)
@given(st.randoms(use_true_random=False))
def test_order_of_rows_does_not_matter_and_no_row_is_lost(random):
    table = reader_study(2, patients=6)
    kept = table.sample(frac=0.8, random_state=random.randrange(1000))
    one = reading_pairs(kept, **BETWEEN)
    other = reading_pairs(kept.sort_index(), **BETWEEN)
    key = ["image_id", "hip_id"]
    pd.testing.assert_frame_equal(
        one.sort_values(key, ignore_index=True), other.sort_values(key, ignore_index=True)
    )
    assert one[["first", "second"]].notna().sum().sum() == len(kept)


def test_exchanging_the_readings_mirrors_the_report():
    table = reader_study(3)
    one = reader_agreement(table, **BETWEEN, seed=1).set_index("measure")
    turned = {**BETWEEN, "first": BETWEEN["second"], "second": BETWEEN["first"]}
    other = reader_agreement(table, **turned, seed=1).set_index("measure")
    assert other.loc["bias", "estimate"] == pytest.approx(-one.loc["bias", "estimate"])
    assert other.loc["ICC(2,1)", "ci_low"] == pytest.approx(one.loc["ICC(2,1)", "ci_low"])


# by recovery ----------------------------------------------------------------------------------------------


def test_known_shift_and_error_are_found_again():
    report = reader_agreement(reader_study(4), **BETWEEN, seed=5).set_index("measure")
    sd, change = np.sqrt(2) * 1.2, "smallest detectable change, consistency"
    truth = {
        "bias": -0.8,
        "lower limit": -0.8 - 1.96 * sd,
        "upper limit": -0.8 + 1.96 * sd,
        change: 1.96 * sd,
    }
    for measure, value in truth.items():
        assert report.loc[measure, "estimate"] == pytest.approx(value, abs=0.6)
        assert report.loc[measure, "ci_low"] < value < report.loc[measure, "ci_high"]
    assert report.loc["ICC(3,1)", "estimate"] == pytest.approx(36 / (36 + 1.44), abs=0.03)
    assert report.loc["bias", ["n_pairs", "n_images", "n_hips", "n_patients"]].tolist() == [108, 80, 54, 40]
    assert report["method"].str.contains("bootstrap of patients").all()


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"quantity": "tilt"}, "a reading of tilt in the table: there is none"),
        (
            {},
            {"first": ("reader_c", 1)},
            "reader_c, 1. Expected a reading of inclination in the table: reader_a",
        ),
        ({}, {"second": ("reader_a", 1)}, "two different readings"),
        ({"unit": ["deg", "rad"] * 3}, {}, "one unit for inclination"),
        ({"image_id": "i1", "hip_id": "p1L"}, {}, "Keep one method and one row a reading"),
        ({"patient_id": None}, {}, "patient_id: found no value"),
        ({"value": "steep"}, {}, "value: found 'steep'"),
    ],
)
def test_wrong_input(change, options, match):
    with pytest.raises(StudyError, match=match):
        reading_pairs(small_study().assign(**change), **{**BETWEEN, **options})


def test_every_missing_column_is_named_at_once():
    with pytest.raises(StudyError) as caught:
        reading_pairs(small_study().drop(columns=["unit", "zone"]), **BETWEEN)
    assert caught.value.problems["column"].tolist() == ["zone", "unit"]
