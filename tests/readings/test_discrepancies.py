"""Two readers who disagree, and the third who decides without knowing what they said."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading_rows import grading, mark, sha256, table

from cohortlib.errors import StudyError
from cohortlib.readings import (
    grading_discrepancies,
    make_adjudication_list,
    measurement_discrepancies,
    open_readings,
)
from cohortlib.tables import MEASUREMENT_COLUMNS

LIMITS = pd.DataFrame(
    {"quantity": ["inclination", "anteversion"], "limit": [5.0, 4.0], "unit": ["deg", "deg"]}
)


def measured(*rows: tuple) -> pd.DataFrame:
    """Rows of (image, hip, reader, repeat, quantity, value)."""
    names = ["image_id", "hip_id", "reader_id", "repeat", "quantity", "value"]
    frame = pd.DataFrame(rows, columns=names).assign(
        patient_id="P1", visit_id="week_6", zone="", unit="deg", sd=np.nan, method="rim", note=""
    )
    return frame[list(MEASUREMENT_COLUMNS)]


IMAGES = pd.DataFrame({"image_id": [f"I{n}" for n in range(9)]}).assign(
    image_sha256=lambda t: t["image_id"].map(sha256), sides="both"
)

# By hand -------------------------------------------------------------------------------------------


def test_a_difference_beyond_the_limit() -> None:
    found = measurement_discrepancies(
        measured(
            ("I1", "H1", "R1", 1, "inclination", 40.0),
            ("I1", "H1", "R2", 1, "inclination", 45.0),  # at the limit is not beyond it
            ("I1", "H2", "R1", 1, "inclination", 40.0),
            ("I1", "H2", "R2", 1, "inclination", 34.9),
            ("I2", "H1", "R1", 1, "inclination", 41.0),
            ("I2", "H1", "R2", 1, "inclination", np.nan),
            ("I3", "H1", "R1", 1, "inclination", np.nan),
            ("I3", "H1", "R2", 1, "inclination", np.nan),
            ("I4", "H1", "R1", 1, "inclination", 40.0),  # read by one
            ("I1", "H1", "R1", 2, "inclination", 80.0),  # a hidden repeat
            ("I1", "H1", "R1", 1, "head_diameter", 10.0),  # without a limit
            ("I1", "H1", "R2", 1, "head_diameter", 90.0),
        ),
        limits=LIMITS,
    )
    columns = ["image_id", "part", "difference", "discrepant", "reason"]
    assert found[columns].fillna(-1).to_numpy().tolist() == [
        ["I1", "H1", 5.0, False, ""],
        ["I1", "H2", pytest.approx(-5.1), True, "difference"],
        ["I2", "H1", -1, True, "value by one reader only"],
        ["I3", "H1", -1, False, ""],
    ]
    assert set(found["first_reader"] + found["second_reader"]) == {"R1R2"}
    assert set(found["limit"]) == {5.0}


def test_unequal_states() -> None:
    def graded(reader_id: str, zone: str, state: str, repeat: int = 1) -> dict:
        return grading(reader_id=reader_id, zone=zone, state=state, width_mm=None, repeat=repeat)

    found = grading_discrepancies(
        table(
            graded("R1", "1", "none"),
            graded("R2", "1", "none"),
            graded("R1", "2", "none"),
            graded("R2", "2", "not assessable"),
            graded("R1", "3", "complete"),
            graded("R1", "1", "complete", repeat=2),
        )
    ).set_index("zone")
    assert found["reason"].to_dict() == {"1": "", "2": "state", "3": "graded by one reader only"}
    assert found["discrepant"].tolist() == [False, True, True]
    assert found.loc["2", ["part", "what", "first", "second"]].tolist() == [
        "left",
        "cup_3",
        "none",
        "not assessable",
    ]


def test_a_third_reader_decides_what_two_disagree_on(place: str) -> None:
    with open_readings(place) as store:
        for number in range(1, 6):
            image = {"image_id": f"I{number}", "image_sha256": sha256(f"I{number}")}
            same = "none" if number % 2 else "complete"
            store.write_gradings(table(grading(**image, reader_id="R1", state="none", width_mm=None)))
            store.write_gradings(table(grading(**image, reader_id="R2", state=same, width_mm=None)))
        compared = grading_discrepancies(store.gradings())
        listed = make_adjudication_list(compared, IMAGES, reader_id="R3", seed=1)
        assert sorted(listed["image_id"]) == ["I2", "I4"]
        assert set(listed["role"]) == {"adjudication"}
        store.write_worklist(listed, who="PI", washout_days=0)
        seen = store.next_item("R3")
        text = seen.to_csv() + store.worklist("R3").to_csv()
        assert not [word for word in ("none", "complete", "R1", "R2", "I2", "I4", "adjud") if word in text]
        image_id = store.item_image(seen["item_id"].iloc[0])
        zone = table({"side": "left", "zone_system": "cup_3", "zone": "1", "state": "complete"})
        store.finish_item(
            seen["item_id"].iloc[0],
            reader_id="R3",
            image_sha256=sha256(image_id),
            duration_s=30,
            gradings=zone,
        )
        stored = store.gradings().query("reader_id == 'R3'")
        assert stored[["image_id", "repeat", "state"]].to_numpy().tolist() == [[image_id, 1, "complete"]]


# By law --------------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    values=st.lists(st.tuples(st.floats(0, 90), st.floats(0, 90)), min_size=1, max_size=6),
    limit=st.floats(0, 20),
    order=st.randoms(use_true_random=False),
)
def test_the_order_of_rows_and_the_names_of_readers_do_not_matter(
    values: list[tuple[float, float]], limit: float, order: object
) -> None:
    limits = LIMITS.assign(limit=limit)
    rows = [
        (f"I{n}", "H1", reader, 1, "inclination", value)
        for n, pair in enumerate(values)
        for reader, value in zip(("R1", "R2"), pair, strict=True)
    ]
    found = measurement_discrepancies(measured(*rows), limits=limits)
    assert found["discrepant"].tolist() == [abs(a - b) > limit for a, b in values]
    shuffled = rows.copy()
    order.shuffle(shuffled)
    pd.testing.assert_frame_equal(measurement_discrepancies(measured(*shuffled), limits=limits), found)
    swapped = measured(*rows).assign(reader_id=lambda t: t["reader_id"].map({"R1": "R2", "R2": "R1"}))
    mirrored = measurement_discrepancies(swapped, limits=limits)
    assert mirrored["discrepant"].tolist() == found["discrepant"].tolist()
    np.testing.assert_array_equal(mirrored["difference"], -found["difference"])


# By failure ----------------------------------------------------------------------------------------

PAIR = measured(("I1", "H1", "R1", 1, "inclination", 40.0), ("I1", "H1", "R2", 1, "inclination", 50.0))


@pytest.mark.parametrize(
    ("change", "limits", "match"),
    [
        ({"unit": "rad"}, LIMITS, "unit: found 'rad'. Expected 'deg' for inclination"),
        ({"unit": None}, LIMITS, "unit: found no unit"),
        ({"reader_id": "R1"}, LIMITS, "each one once"),
        ({"value": "steep"}, LIMITS, "value: found 'steep'"),
        ({"value": np.inf}, LIMITS, "value: found"),
        ({"reader_id": None}, LIMITS, "reader_id: found no value"),
        ({}, LIMITS.assign(limit=-1), "limit: found -1"),
        ({}, LIMITS.assign(quantity="inclination"), "quantity: found 'inclination'. Expected each one once"),
        ({}, LIMITS[["quantity"]], "no such column"),
        ({}, {"inclination": 5}, "found 'dict'"),
    ],
)
def test_wrong_measurements(change: dict, limits: pd.DataFrame, match: str) -> None:
    with pytest.raises(StudyError, match=match):
        measurement_discrepancies(PAIR.assign(**change), limits=limits)


def test_adjudication_needs_a_reader_who_has_not_read_the_image(file_place: str) -> None:
    compared = measurement_discrepancies(PAIR, limits=LIMITS)
    with pytest.raises(StudyError, match="Name a third reader"):
        make_adjudication_list(compared, IMAGES, reader_id="R2", seed=1)
    with pytest.raises(StudyError, match="every discrepant image"):
        make_adjudication_list(compared, IMAGES.iloc[4:], reader_id="R3", seed=1)
    with pytest.raises(StudyError, match="Nothing is to be adjudicated"):
        make_adjudication_list(compared.assign(discrepant=False), IMAGES, reader_id="R3", seed=1)
    listed = make_adjudication_list(compared, IMAGES, reader_id="R3", seed=1)
    with open_readings(file_place) as store:
        store.write_marks(table(mark(image_id="I1", reader_id="R3")))
        with pytest.raises(StudyError, match="no marks yet"):
            store.write_worklist(listed, who="PI", washout_days=0)
