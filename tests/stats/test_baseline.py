import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.stats.baseline import ALL, BASELINE_COLUMNS, baseline_table
from cohortlib.stats.baseline_text import NOT_SHOWN, baseline_text
from cohortlib.stats.characteristics import patient_characteristics
from cohortlib.stats.standardised import categorical_difference, standardised_difference

OF = {"of_patients": ["sex", "age_years"], "of_hips": ["side", "head_mm"], "comparator": "old"}


def tables():
    """Five patients, seven hips; p3 has a hip in each arm, p6 was not operated on."""
    patients = pd.DataFrame(
        {
            "patient_id": ["p1", "p2", "p3", "p4", "p5", "p6"],
            "sex": ["female", "male", "female", "male", None, "male"],
            "age_years": [40.0, 50, 60, 70, np.nan, 99],
        }
    )
    hips = pd.DataFrame(
        {
            "hip_id": ["1L", "1R", "2L", "3L", "3R", "4L", "5L"],
            "patient_id": ["p1", "p1", "p2", "p3", "p3", "p4", "p5"],
            "arm": ["new", "new", "new", "new", "old", "old", "old"],
            "side": ["left", "right", "left", "left", "right", "left", "left"],
            "head_mm": [48, 48, 52, 50, 36, 32, 36],
        }
    )
    return patients, hips


def cell(table, level, characteristic, arm, category=""):
    rows = table[
        (table["level"] == level)
        & (table["characteristic"] == characteristic)
        & (table["arm"] == arm)
        & (table["category"] == category)
    ]
    assert len(rows) == 1
    return rows.iloc[0]


# by hand --------------------------------------------------------------------------------------------------


def test_patients_and_hips_stand_apart():
    table = baseline_table(*tables(), **OF)
    assert list(table.columns) == list(BASELINE_COLUMNS)
    assert [cell(table, "patient", "n", arm)["count"] for arm in ("new", "old", ALL)] == [3, 3, 5]
    assert [cell(table, "hip", "n", arm)["count"] for arm in ("new", "old", ALL)] == [4, 3, 7]
    assert table["arm"].unique().tolist() == ["new", "old", ALL]
    # p1 has two hips in the arm and is one patient: mean of 40, 50, 60.
    age = cell(table, "patient", "age_years", "new")
    assert age[["n_known", "n_missing", "mean", "sd", "median"]].tolist() == [3, 0, 50, 10, 50]
    assert age[["lower_quartile", "upper_quartile"]].tolist() == [45, 55]
    head = cell(table, "hip", "head_mm", "new")
    assert head[["n_known", "mean"]].tolist() == [4, 49.5]


def test_missing_values_are_counted_and_take_no_share():
    table = baseline_table(*tables(), **OF)
    assert cell(table, "patient", "age_years", "old")[["n_known", "n_missing"]].tolist() == [2, 1]
    assert cell(table, "patient", "sex", "old")[["n_known", "n_missing"]].tolist() == [2, 1]
    assert cell(table, "patient", "sex", "old", "female")[["count", "percent"]].tolist() == [1, 50]
    assert cell(table, "patient", "sex", ALL, "female")[["count", "percent"]].tolist() == [2, 50]


def test_the_difference_is_that_to_the_comparator():
    table = baseline_table(*tables(), **OF)
    head = cell(table, "hip", "head_mm", "new")["standardised_difference"]
    assert head == pytest.approx(standardised_difference([48, 48, 52, 50], [36, 32, 36]))
    side = cell(table, "hip", "side", "new")["standardised_difference"]
    assert side == pytest.approx(categorical_difference([3, 1], [2, 1]))
    for arm in ("old", ALL):
        assert np.isnan(cell(table, "hip", "head_mm", arm)["standardised_difference"])
    assert not any("p_value" in column for column in table.columns)


def test_order_of_categories_is_that_of_an_ordered_column():
    patients, hips = tables()
    hips["size"] = pd.Categorical(["S", "M", "L", "S", "M", "L", "M"], ["S", "M", "L", "XL"], ordered=True)
    table = baseline_table(patients, hips, of_patients=[], of_hips=["size"], comparator="old")
    assert table["category"].unique().tolist() == ["", "S", "M", "L"]


def test_characteristics_of_patients():
    patients = pd.DataFrame(
        {
            "patient_id": ["p1", "p2"],
            "birth_year": pd.array([1970, 1960], dtype="Int64"),
            "height_cm": [200.0, np.nan],
            "mass_kg": [100.0, 80],
        }
    )
    hips = pd.DataFrame(
        {
            "hip_id": ["1L", "1R"],
            "patient_id": ["p1", "p1"],
            "surgery_date": pd.to_datetime(["2031-05-01", "2030-02-01"]),
        }
    )
    found = patient_characteristics(patients, hips)
    assert found.loc[0, ["age_years", "bmi_kg_m2", "n_study_hips"]].tolist() == [60, 25, 2]
    assert found.loc[1, ["age_years", "bmi_kg_m2"]].isna().all()
    assert found.loc[1, "n_study_hips"] == 0


def test_as_it_is_printed():
    text = baseline_text(
        baseline_table(*tables(), **OF),
        labels={"age_years": "age, years", "sex": "sex"},
        arm_labels={"new": "New", "old": "Old"},
        decimals={"head_mm": 0},
    )
    assert text.columns.tolist() == ["New", "Old", "All", "standardised difference, New"]
    assert text.loc[("patient", "n")].tolist() == ["3", "3", "5", ""]
    assert text.loc[("patient", "age, years, mean (SD)"), "New"] == "50.0 (10.0)"
    assert text.loc[("patient", "age, years, median [quartiles]"), "New"] == "50.0 [45.0 to 55.0]"
    assert text.loc[("patient", "age, years, missing")].tolist() == ["0", "1", "1", ""]
    assert text.loc[("patient", "sex: female"), "All"] == "2 (50 %)"
    assert text.loc[("hip", "head_mm, mean (SD)"), "Old"] == "35 (2)"
    assert ("hip", "head_mm, missing") not in text.index
    assert text.loc[("hip", "side"), "standardised difference, New"] == "0.18"


def test_small_counts_are_left_out_with_what_gives_them_away():
    patients = pd.DataFrame({"patient_id": [f"p{n}" for n in range(30)], "age_years": np.arange(30.0)})
    patients["sex"] = ["female"] * 2 + ["male"] * 28
    hips = pd.DataFrame({"hip_id": [f"h{n}" for n in range(30)], "patient_id": patients["patient_id"]})
    hips["arm"] = ["new"] * 15 + ["old"] * 15
    options = {"of_patients": ["sex", "age_years"], "of_hips": [], "comparator": "old"}
    table = baseline_table(patients, hips, **options, suppress_below=5)
    assert cell(table, "patient", "sex", "new", "female")["count"] is pd.NA
    assert cell(table, "patient", "sex", ALL, "female")["count"] is pd.NA
    assert cell(table, "patient", "sex", "new", "male")["count"] is pd.NA
    assert np.isnan(cell(table, "patient", "sex", "new")["standardised_difference"])
    assert cell(table, "patient", "sex", "old", "female")["count"] == 0
    age = cell(table, "patient", "age_years", "new")
    assert (age["mean"], age["note"]) == (7, "")
    text = baseline_text(table, labels={}, arm_labels={"new": "New", "old": "Old"}, decimals={})
    assert text.loc[("patient", "sex: female"), "New"] == NOT_SHOWN


def test_numbers_of_few_are_left_out():
    table = baseline_table(*tables(), **OF, suppress_below=5)
    assert table.loc[table["arm"] != ALL, ["mean", "sd", "median"]].isna().all(axis=None)


# by reference: the differences are checked in test_standardised -------------------------------------------


def test_moments_are_those_of_pandas():
    rng = np.random.default_rng(2)
    patients = pd.DataFrame({"patient_id": range(50), "age_years": rng.normal(60, 9, 50)})
    hips = pd.DataFrame({"hip_id": range(50), "patient_id": range(50), "arm": ["new", "old"] * 25})
    table = baseline_table(patients, hips, of_patients=["age_years"], of_hips=[], comparator="old")
    described = patients["age_years"][hips["arm"] == "new"].describe()
    found = cell(table, "patient", "age_years", "new")
    for ours, theirs in (("mean", "mean"), ("sd", "std"), ("median", "50%"), ("upper_quartile", "75%")):
        assert found[ours] == pytest.approx(described[theirs])


# by law ---------------------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["new", "old"]), st.sampled_from(["a", "b", "c", None])),
        min_size=2,
        max_size=20,
    )
)
def test_categories_and_missing_add_up(lines):
    hips = pd.DataFrame(lines, columns=["arm", "kind"]).assign(hip_id=lambda rows: rows.index)
    hips = pd.concat(
        [hips, pd.DataFrame({"arm": ["old"], "kind": ["a"], "hip_id": ["x"]})], ignore_index=True
    )
    hips["patient_id"] = hips.index // 2
    patients = pd.DataFrame({"patient_id": hips["patient_id"].unique()})
    table = baseline_table(patients, hips, of_patients=[], of_hips=["kind"], comparator="old")
    for arm in table["arm"].unique():
        whole = cell(table, "hip", "kind", arm)
        parts = table[(table["characteristic"] == "kind") & (table["arm"] == arm) & (table["category"] != "")]
        assert parts["count"].sum() == whole["n_known"]
        assert whole["n_known"] + whole["n_missing"] == cell(table, "hip", "n", arm)["count"]
        assert parts["percent"].sum() == pytest.approx(100 if whole["n_known"] else 0)
    hidden = baseline_table(
        patients, hips, of_patients=[], of_hips=["kind"], comparator="old", suppress_below=5
    )
    for column in ("count", "n_known", "n_missing"):
        assert not hidden[column].dropna().between(1, 4).any()


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"comparator": "control"}, "comparator: found 'control'"),
        ({}, {"of_hips": "side"}, r"Write of_hips=\[\"side\"\]"),
        ({}, {"of_patients": ["weight"]}, "weight: found no such column"),
        ({"hip_id": "h"}, {}, "hip_id: found 'h'"),
        ({"arm": None}, {}, "arm: found no value"),
        ({"side": pd.Timestamp("2030-01-01")}, {}, "side: found 'dates'"),
        ({}, {"suppress_below": 0}, "smallest count that may be shared"),
    ],
)
def test_wrong_input(change, options, match):
    patients, hips = tables()
    with pytest.raises(StudyError, match=match):
        baseline_table(patients, hips.assign(**change), **{**OF, **options})
