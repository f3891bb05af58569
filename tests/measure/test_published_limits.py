"""Limits that papers name: each as it was published, each with its source, none applied by itself."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.figures.zone import draw_zone
from cohortlib.measure import femur
from cohortlib.measure import published_limits as module
from cohortlib.measure.femur import neck
from cohortlib.measure.published_limits import published_limits
from cohortlib.quantities import QUANTITIES
from cohortlib.stats.describe import share_inside

FOLDER = Path(__file__).parents[1] / "reference"
REFERENCE = pd.read_csv(FOLDER / "film_limits.csv")
KEY = ["threshold", "quantity"]
#: Compared with, but not measured by name.
OUTSIDE = {"centre_edge_angle", "acetabular_index", "lucent_line_width", "femoral_offset_change",
           "cup_inclination_change"}  # fmt: skip
ZONES = sorted(set(published_limits("anteversion")["threshold"]))

# by hand


def test_thirty_to_fifty():
    row = published_limits("inclination").set_index("threshold").loc["cup zone of 1978"]
    assert (row["lower"], row["upper"], row["unit"], row["definition"]) == (30, 50, "deg", "radiographic")


def test_examples():
    assert doctest.testmod(module).failed == 0


# by reference


@pytest.mark.parametrize(
    "row", REFERENCE.to_dict("records"), ids=lambda row: f"{row['quantity']}, {row['threshold']}"
)
def test_as_published(row):
    found = published_limits(row["quantity"]).set_index("threshold").loc[row["threshold"]]
    bounds = found[["lower", "upper"]].to_numpy(dtype=float)
    np.testing.assert_array_equal(bounds, np.array([row["lower"], row["upper"]], dtype=float))


def test_no_limit_is_without_a_check_value():
    found, expected = (set(map(tuple, table[KEY].to_numpy())) for table in (published_limits(), REFERENCE))
    assert found == expected


@pytest.mark.parametrize(
    ("quantity", "words"),
    [
        ("hip_centre_horizontal", "about 30 to 35"),
        ("hip_centre_vertical", "about 12 to 18, called high above 35"),
        ("neck_shaft_angle", "120 to 135 is usual; less than 120 is varus, more than 140 valgus"),
        ("femoral_offset", "changes below about 10 mm"),
        ("head_neck_ratio", "Below about 1.2"),
        ("neck_narrowing_relative", "more than 10"),
        ("neck_narrowing_points", "more than 10"),
    ],
)
def test_the_catalogue_quotes_the_same_numbers(quantity, words):
    assert words in QUANTITIES[quantity].means
    rows = REFERENCE[REFERENCE["quantity"].isin([quantity, f"{quantity}_change"])]
    published = set(rows[["lower", "upper"]].abs().stack())
    assert {float(number) for number in re.findall(r"\d+(?:\.\d+)?", words)} <= published


@pytest.mark.parametrize(
    ("name", "from_radiographic"),
    [("operative_inclination", -1.6), ("operative_anteversion", 4.3),
     ("anatomical_inclination", 2.3), ("anatomical_anteversion", 7.6)],
)  # fmt: skip
def test_the_catalogue_quotes_the_conversion_at_40_15(name, from_radiographic):
    # Computed from Murray DW 1993: 38.38, 19.28; 42.27, 22.63.
    angle = name.split("_")[1]
    table = pd.read_csv(FOLDER / "cup_orientation.csv")
    rows = table.query(
        "inclination_given == 40 and anteversion_given == 15 and definition_given == 'radiographic'"
    )
    row = rows.set_index("definition").loc[name.split("_")[0]]
    assert row[angle] - row[f"{angle}_given"] == pytest.approx(from_radiographic, abs=0.05)
    assert f"{abs(from_radiographic)} degrees" in QUANTITIES[name].means


def test_where_the_library_uses_a_limit_it_is_the_published_one():
    limit = published_limits("neck_narrowing_relative")["lower"].iloc[0]
    assert limit == neck.SIGNIFICANT_NARROWING_PERCENT
    upper = published_limits("head_neck_ratio")["upper"].iloc[0]
    assert femur.head_neck_ratio([(0, 0), (0, 40)], 48) == pytest.approx(upper)


# by law


def test_every_limit_has_a_unit_a_source_and_a_bound():
    table = published_limits()
    assert not table.duplicated(KEY).any()
    assert table["source"].str.len().gt(5).all()
    assert table[["lower", "upper"]].notna().any(axis=1).all()
    both = table.dropna()
    assert (both["lower"] < both["upper"]).all()
    for row in table.to_dict("records"):
        assert row["quantity"] in OUTSIDE or row["unit"] == QUANTITIES[row["quantity"]].unit


@pytest.mark.parametrize("name", ZONES)
def test_a_zone_is_drawn_as_it_was_published(name):
    table = published_limits()
    figure, axes = plt.subplots()
    [(_, label)] = draw_zone(axes, table[table["threshold"] == name])
    assert label.startswith(f"{name}: radiographic inclination")
    plt.close(figure)


@given(st.floats(0, 90))
@settings(max_examples=40, deadline=None)
def test_varus_usual_and_valgus_do_not_overlap(angle):
    rows = published_limits("neck_shaft_angle").fillna({"lower": -np.inf, "upper": np.inf})
    inside = rows[(rows["lower"] < angle + 80) & (angle + 80 < rows["upper"])]
    assert len(inside) <= 1


# by recovery


def test_the_share_inside_a_zone_that_was_put_in():
    rng = np.random.default_rng(23)
    row = published_limits("inclination").set_index("threshold").loc["cup zone of 1978"]
    inside = rng.random(400) < 0.7
    cups = np.where(inside, rng.uniform(row["lower"], row["upper"], 400), rng.uniform(55, 65, 400))
    table = pd.DataFrame({"hip_id": range(400), "patient_id": range(400), "inclination": cups})
    found = share_inside(
        table, value="inclination", lower=row["lower"], upper=row["upper"], by=(), cluster="patient_id"
    ).iloc[0]
    assert found["n_inside"] == inside.sum()
    assert found["ci_low"] < 0.7 < found["ci_high"]


# by failure


def test_a_quantity_without_a_limit():
    with pytest.raises(StudyError, match=r"found 'patience'.*Name a limit of your own"):
        published_limits("patience")
