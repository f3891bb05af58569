"""Angles in several definitions whose labels cannot all be right."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.cup import cup_orientation
from cohortlib.measure.cup.contradictions import COLUMNS, ORDERS, definition_contradictions
from cohortlib.measure.cup.definitions import DEFINITIONS

REFERENCE = Path(__file__).parents[1] / "reference"


def angles(inclination, anteversion):
    """All six angles of cups, from radiographic ones, by Murray's closed forms written here on their own."""
    i, v = np.radians(np.atleast_1d(inclination)), np.radians(np.atleast_1d(anteversion))
    columns = (
        i, v,
        np.arcsin(np.sin(i) * np.cos(v)), np.arctan(np.tan(v) / np.cos(i)),
        np.arccos(np.cos(i) * np.cos(v)), np.arctan2(np.tan(v), np.sin(i)),
    )  # fmt: skip
    return pd.DataFrame(dict(zip(COLUMNS, map(np.degrees, columns), strict=True)))


# by hand


def test_an_operative_inclination_above_the_radiographic_one():
    table = pd.DataFrame({"radiographic_inclination": [40.0, 40.0], "operative_inclination": [38.4, 42.0]})
    found = definition_contradictions(table.set_index(pd.Index(["H1", "H2"])), tolerance_deg=0.5)
    assert found.to_dict("records") == [
        {
            "row": "H2",
            "smaller": "operative_inclination",
            "larger": "radiographic_inclination",
            "smaller_deg": 42.0,
            "larger_deg": 40.0,
        }
    ]


def test_missing_angles_contradict_nothing():
    table = pd.DataFrame({"radiographic_anteversion": [20.0], "operative_anteversion": [np.nan]})
    assert definition_contradictions(table, tolerance_deg=0).empty


# by reference


def test_labels_of_a_published_table():
    rows = pd.read_csv(REFERENCE / "cup_labels.csv").to_dict("records")
    table = pd.DataFrame(
        {
            f"{row['definition']}_{angle}": [row[angle]]
            for row in rows
            for angle in ("inclination", "anteversion")
        }
    )
    found = definition_contradictions(table, tolerance_deg=0.005)
    assert found[["smaller", "larger"]].to_numpy().tolist() == [
        ["radiographic_inclination", "anatomical_inclination"],
        ["operative_inclination", "anatomical_inclination"],
    ]


def test_the_conversion_table_keeps_every_order():
    table = pd.read_csv(REFERENCE / "cup_orientation.csv")
    table = table[table["definition_given"] == "radiographic"]
    for row in table.to_dict("records"):
        pair = {}
        for end, name in (("_given", row["definition_given"]), ("", row["definition"])):
            pair |= {f"{name}_{angle}": [float(row[angle + end])] for angle in ("inclination", "anteversion")}
        assert definition_contradictions(pd.DataFrame(pair), tolerance_deg=0.005).empty


# by law


@given(st.floats(5, 85), st.floats(0, 60))
@settings(max_examples=100, deadline=None)
def test_true_labels_contradict_nothing(inclination, anteversion):
    table = angles(inclination, anteversion)
    assert definition_contradictions(table, tolerance_deg=1e-9).empty
    for name in DEFINITIONS[1:]:
        own = cup_orientation(inclination, anteversion, given="radiographic", wanted=name)
        stated = table[[f"{name}_inclination", f"{name}_anteversion"]].to_numpy()[0]
        np.testing.assert_allclose(own, stated, atol=1e-9)


@given(st.lists(st.tuples(st.floats(20, 70), st.floats(0, 40)), min_size=2, max_size=6))
@settings(max_examples=40, deadline=None)
def test_means_keep_the_orders_of_their_cups(cups):
    means = angles(*np.array(cups).T).mean().to_frame().T
    assert definition_contradictions(means, tolerance_deg=1e-9).empty


# by recovery


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: f"{order.smaller}, {order.larger}")
def test_labels_exchanged_are_found(order):
    rng = np.random.default_rng(8)
    table = angles(rng.uniform(30, 60, 30), rng.uniform(10, 30, 30))
    pair = table[[order.smaller, order.larger]]
    assert definition_contradictions(pair, tolerance_deg=0.05).empty
    exchanged = pair.rename(columns={order.smaller: order.larger, order.larger: order.smaller})
    assert len(definition_contradictions(exchanged, tolerance_deg=0.05)) == 30


# by failure


@pytest.mark.parametrize(
    ("table", "tolerance", "match"),
    [
        (pd.DataFrame({"inclination": [40.0]}), 0.5, "Name each angle by its definition"),
        (angles(40, 15), -1.0, r"tolerance_deg: found -1\.0"),
        (angles(40, 15).astype("str"), 0.5, "Give the angles as numbers"),
        (angles(40, -5), 0.5, "do not open to the back"),
    ],
)
def test_wrong_tables_are_refused(table, tolerance, match):
    with pytest.raises(StudyError, match=match):
        definition_contradictions(table, tolerance_deg=tolerance)
