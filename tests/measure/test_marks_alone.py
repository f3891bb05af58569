"""What marks alone tell: from the table of landmarks to rows of measurements."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marked_study import CENTRE, EXPECTED, PLACES, marked_study

from cohortlib.errors import StudyError
from cohortlib.measure import measurements_from_marks
from cohortlib.measure.marked import NO_SCALE
from cohortlib.measure.marked_head import marked_head
from cohortlib.measure.marked_quantities import MARKED_QUANTITIES
from cohortlib.measure.scale import SCALE_COLUMNS
from cohortlib.quantities import QUANTITIES
from cohortlib.tables import LANDMARKS, MEASUREMENT_COLUMNS


def scale(x=0.26, y=0.26, relative_sd=0.01, **other):
    row = {"image_id": "I1", "side": "", "x_mm_per_px": x, "y_mm_per_px": y, "relative_sd": relative_sd,
           "source": "drawn", **other}  # fmt: skip
    return pd.DataFrame([row])


def values(study, scales=None):
    table = measurements_from_marks(study, scales=scales)
    return table.set_index("quantity")


# by hand


@pytest.mark.parametrize("scales", [None, scale()], ids=["head as marked", "scale given"])
def test_the_drawing_is_measured(scales):
    found = values(marked_study(), scales)
    assert set(found.index) == set(EXPECTED)
    for quantity, expected in EXPECTED.items():
        assert found.loc[quantity, "value"] == pytest.approx(expected, abs=1e-3), quantity
    assert found["unit"].to_dict() == {name: QUANTITIES[name].unit for name in EXPECTED}
    assert (found["sd"] > 0).all()
    source = "scale: head and cup as marked" if scales is None else "scale: drawn"
    assert found.loc[found["unit"] == "mm", "method"].str.endswith(source).all()


def test_rows_are_measurement_rows():
    table = measurements_from_marks(marked_study(readings=2))
    assert table.columns.tolist() == list(MEASUREMENT_COLUMNS)
    assert table["repeat"].unique().tolist() == [1, 2]
    assert set(table["hip_id"]) == {"H1"}
    keys = ["hip_id", "image_id", "reader_id", "repeat", "quantity", "zone"]
    assert not table.duplicated(keys).any()


def test_the_catalogue_names_the_marks_that_are_taken():
    for one in MARKED_QUANTITIES:
        taken = {name.removesuffix("_other") for name in one.takes.values()}
        taken = {"head_edge" if name.startswith("head_") else name for name in taken}
        assert taken == set(QUANTITIES[one.quantity].marks), one.quantity
    for quantity in QUANTITIES.values():
        assert set(quantity.marks) <= set(LANDMARKS)


# by reference: the formulas are held against published numbers in test_femur_and_leg.py


# by law


@given(st.booleans(), st.floats(-5, 5), st.floats(0.15, 0.4))
@settings(max_examples=15, deadline=None)
def test_mirror_turn_and_pixels_change_nothing(mirrored, turn_deg, pixel):
    study = marked_study(click_sd_mm=1.0, seed=4)
    plain = values(study)
    turned = values(_as_seen(study, mirrored=mirrored, turn_deg=turn_deg, size=0.26 / pixel))
    for column in ("value", "sd"):
        np.testing.assert_allclose(turned[column], plain.loc[turned.index, column], rtol=1e-5, atol=1e-5)


def _as_seen(study, *, mirrored, turn_deg, size):
    """The same marks on a film that is mirrored, turned and of other pixels."""
    marks, hips = study.landmarks.copy(), study.hips.copy()
    xy = marks[["x_px", "y_px"]].to_numpy() - [700, 500]
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    xy = xy @ np.array([[c, s], [-s, c]])
    if mirrored:
        xy, other = xy * [-1, 1], {"left": "right", "right": "left"}
        marks["side"], hips["side"] = marks["side"].map(other), hips["side"].map(other)
    marks[["x_px", "y_px"]] = xy * size + [700, 500]
    return replace(study, tables={**study.tables, "landmarks": marks, "hips": hips})


def test_pixels_that_are_not_square_need_the_scale_alone():
    found = values(marked_study(mm_per_px=(0.26, 0.20)), scale(0.26, 0.20))
    for quantity, expected in EXPECTED.items():
        assert found.loc[quantity, "value"] == pytest.approx(expected, abs=1e-3)


def test_the_order_of_marks_says_nothing():
    study = marked_study(click_sd_mm=1.0, seed=2)
    other = replace(study, tables={**study.tables, "landmarks": study.landmarks[::-1]})
    pd.testing.assert_frame_equal(measurements_from_marks(study), measurements_from_marks(other), rtol=1e-6)


def test_a_scale_twice_as_large_doubles_lengths_and_leaves_ratios_of_marks():
    plain, double = values(marked_study(), scale()), values(marked_study(), scale(0.52, 0.52))
    for quantity in ("neck_width", "hip_length", "leg_length_difference", "peg_depth"):
        assert double.loc[quantity, "value"] == pytest.approx(2 * plain.loc[quantity, "value"])
    assert double.loc["stem_shaft_angle", "value"] == pytest.approx(135)


# by recovery


def test_claimed_errors_are_the_errors_made():
    """Shaky clicks of the assumed size about the drawing: the spread of every value is its own sd."""
    table = measurements_from_marks(
        marked_study(click_sd_mm=1.5 / 1.15, seed=11, readings=90), scales=scale()
    )
    for quantity, rows in table.groupby("quantity"):
        if quantity.startswith("pelvic"):
            continue  # their sd is that between people
        error = rows["value"] - EXPECTED[quantity]
        claimed = np.sqrt((rows["sd"] ** 2).mean())
        # The scale itself did not err here; its part of the sd stays below a fifth of the rest.
        assert error.std() == pytest.approx(claimed, rel=0.25), quantity
        assert abs(error.mean()) < 3.5 * claimed / np.sqrt(len(rows)) + 0.02 * abs(EXPECTED[quantity]), (
            quantity
        )


def test_a_scale_from_marks_is_as_uncertain_as_it_says():
    table = measurements_from_marks(marked_study(click_sd_mm=1.5 / 1.15, seed=12, readings=90))
    rows = table[table["quantity"] == "hip_length"]
    error = rows["value"] - EXPECTED["hip_length"]
    assert error.std() == pytest.approx(np.sqrt((rows["sd"] ** 2).mean()), rel=0.3)


def test_a_head_of_known_size_is_found_on_a_short_arc():
    rng = np.random.default_rng(7)
    arc = np.radians(np.linspace(-100, -40, 6))
    truth = CENTRE + 24 * np.column_stack([np.cos(arc), np.sin(arc)])
    free, held = [], []
    for _ in range(60):
        edge = truth + rng.normal(0, 0.5, truth.shape)
        free.append(marked_head(edge, click_sd=0.5).centre)
        held.append(marked_head(edge, click_sd=0.5, expected_radius=(24.0, 0.24)).centre)
    errors = [np.linalg.norm(np.array(found) - CENTRE, axis=1).mean() for found in (free, held)]
    assert errors[1] < 0.3 * errors[0]
    assert errors[1] < 1.0


# by failure


def without(*names):
    return {key: points for key, points in PLACES.items() if key[0] not in names}


def test_what_is_not_marked_has_no_row():
    found = values(marked_study(places=without("shaft_axis", "neck_edge")))
    assert not {"femoral_offset", "stem_shaft_angle", "neck_shaft_angle", "neck_width"} & set(found.index)
    assert measurements_from_marks(marked_study(places={})).empty


def test_before_the_operation_there_is_no_scale_and_no_length():
    found = values(marked_study(operated=False, places=without("head_edge", "cup_rim")))
    assert found.loc["leg_length_difference", "note"] == NO_SCALE
    assert np.isnan(found.loc["leg_length_difference", "value"])
    assert found.loc["stem_shaft_angle", "value"] == pytest.approx(135)
    given = values(marked_study(operated=False, places=without("head_edge", "cup_rim")), scale())
    assert given.loc["leg_length_difference", "value"] == pytest.approx(5)


@pytest.mark.parametrize(
    ("change", "quantity", "note"),
    [
        ({("shaft_axis", "left"): [(125, -60)]}, "femoral_offset", "shaft_axis: 1 marked"),
        ({("shaft_axis", "left"): [(125, -60)] * 2}, "femoral_offset", "2 marked, 1 of them apart"),
        ({("teardrop", "right"): [(-55, 0), (-50, 0)]}, "hip_length", "2 marked, 2 of them apart; 1"),
        ({("head_edge", "left"): [(60, 0), (70, 0), (80, 0)]}, "neck_head_ratio", "3 marked, all on one"),
        ({("neck_edge", "left"): [(np.nan, 0), (1, 1)]}, "neck_width", "neck_edge: 2 marked"),
    ],
)  # fmt: skip
def test_marks_that_do_not_do_give_no_value_and_the_reason(change, quantity, note):
    found = values(marked_study(places={**PLACES, **change}), scale())
    assert np.isnan(found.loc[quantity, "value"])
    assert note in found.loc[quantity, "note"]


def test_a_scale_too_uncertain_gives_no_length():
    arc = np.radians([-92, -90, -88])
    edge = [tuple(CENTRE + 24 * np.array([np.cos(a), np.sin(a)])) for a in arc]
    found = values(marked_study(places={**without("cup_rim"), ("head_edge", "left"): edge}))
    assert found.loc["hip_length", "note"] == NO_SCALE


@pytest.mark.parametrize(
    ("scales", "match"),
    [
        (scale().drop(columns="source"), "source: found no such column"),
        (scale(x=26.0), r"x_mm_per_px: found 26\.0"),
        (scale(relative_sd=float("nan")), "relative_sd: found nan"),
        (pd.concat([scale(), scale()]), "found I1, both sides twice"),
    ],
)
def test_no_table_of_scales(scales, match):
    with pytest.raises(StudyError, match=match):
        measurements_from_marks(marked_study(), scales=scales)


def test_columns_of_a_scale():
    assert scale().columns.tolist() == list(SCALE_COLUMNS)
