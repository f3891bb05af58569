"""A cup that turned between two films: change of inclination with its limit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.change import change_since
from cohortlib.measure.published_limits import published_limits
from cohortlib.quantities import QUANTITIES
from cohortlib.tables import MEASUREMENT_COLUMNS

VISITS = ("week_6", "month_12")


def cups(before, after, *, sd=0.5, hip="H1"):
    rows = [
        [
            hip,
            "P1",
            visit,
            f"I-{visit}",
            "R1",
            1,
            "inclination",
            "",
            value,
            "deg",
            sd,
            "radiographic; cup",
            "",
        ]
        for visit, value in zip(VISITS, (before, after), strict=True)
    ]
    return pd.DataFrame(rows, columns=list(MEASUREMENT_COLUMNS))


def change(table):
    return change_since(table, visits=VISITS, baseline="week_6")


# by hand


def test_six_degrees_steeper():
    found = change(cups(42.0, 48.0)).iloc[0]
    assert (found["quantity"], found["value"], found["unit"]) == ("cup_inclination_change", 6.0, "deg")
    assert found["note"] == "detection limit 1.4 deg"


# by reference: from memory, usual criteria: more than 5 degrees


def test_the_limit_that_papers_name_is_one_of_this_quantity():
    row = published_limits("cup_inclination_change").iloc[0]
    assert (row["lower"], row["upper"]) == (-5, 5)
    assert row["unit"] == QUANTITIES["cup_inclination_change"].unit


# by law


@given(st.floats(20, 60), st.floats(20, 60))
@settings(max_examples=30, deadline=None)
def test_films_exchanged_turn_the_sign(before, after):
    there, back = (change(cups(*pair)).iloc[0]["value"] for pair in ((before, after), (after, before)))
    assert there == pytest.approx(-back)


# by recovery


def test_cups_that_did_not_turn_are_told_from_none_in_one_of_twenty():
    rng = np.random.default_rng(83)
    tables = [cups(*rng.normal(42, 0.5, 2), hip=f"H{k}") for k in range(1500)]
    found = change(pd.concat(tables, ignore_index=True))
    assert 1 - found["note"].str.contains("not told").mean() == pytest.approx(0.05, abs=0.02)


# by failure


def test_a_cup_without_a_value_has_no_change_and_one_with_two_is_refused():
    assert np.isnan(change(cups(np.nan, 48.0)).iloc[0]["value"])
    with pytest.raises(StudyError, match="inclination twice"):
        change(pd.concat([cups(42.0, 48.0)] * 2, ignore_index=True))
