import numpy as np
import pandas as pd
import pytest
from completeness_rows import IN, completeness_rows

from cohortlib.errors import StudyError
from cohortlib.stats.responders import RESPONDER_COLUMNS, responder_comparison
from cohortlib.stats.standardised import difference_interval, standardised_difference

AT = {"visit_id": "month_12", "examination": "visit"}


def rows():
    """Six patients due, p2 with two hips of which one lacks; p7 is still open, p8 excused, p9 came early."""
    return completeness_rows(
        ("p1", "h1", "new", IN, ""),
        ("p2", "h2L", "new", IN, ""),
        ("p2", "h2R", "new", "overdue", ""),
        ("p3", "h3", "new", IN, ""),
        ("p4", "h4", "old", IN, ""),
        ("p5", "h5", "old", "overdue", "lost"),
        ("p6", "h6", "old", "overdue", ""),
        ("p7", "h7", "old", "window open", ""),
        ("p8", "h8", "old", "excused", "death"),
        ("p9", "h9", "old", f"{IN}, early", ""),
    )


def patients():
    ages = [50.0, 60, 55, 70, 65, np.nan, 99, 99, 99]
    table = pd.DataFrame({"patient_id": [f"p{n}" for n in range(1, 10)], "age_years": ages})
    return table.assign(
        sex=["female", "male", "female", "male", "male", "male", "female", "female", "female"]
    )


def hips():
    table = rows()[["hip_id", "patient_id"]]
    return table.assign(head_mm=np.arange(40.0, 50.0))


# by hand --------------------------------------------------------------------------------------------------


def test_patients_who_came_beside_those_who_did_not():
    table = responder_comparison(rows(), patients(), **AT, characteristics=["age_years", "sex"])
    assert list(table.columns) == list(RESPONDER_COLUMNS)
    age = table.iloc[0]
    # Came: p1, p3, p4. Not, or not with both hips: p2, p5, p6 (without an age).
    assert age[["n_responders", "n_others", "missing_responders", "missing_others"]].tolist() == [3, 2, 0, 1]
    assert age["responders"] == pytest.approx(175 / 3)
    assert age["others"] == 62.5
    assert age["standardised_difference"] == pytest.approx(standardised_difference([50, 55, 70], [60, 65]))
    female = table[table["category"] == "female"].iloc[0]
    assert female[["responders", "others"]].tolist() == [pytest.approx(2 / 3), 0]
    assert age["n_patients"] == 6
    assert age["n_hips"] is pd.NA
    assert "3 patients not yet due, still open or excused" in age["note"]
    assert "no interval from fewer than three patients" in age["note"]


def test_hips_are_compared_with_patients_as_clusters():
    table = responder_comparison(rows(), hips(), **AT, characteristics=["head_mm"]).iloc[0]
    # Hips h1 h2L h3 h4 (40 41 43 44) came, h2R h5 h6 (42 45 46) did not.
    assert table[["n_responders", "n_others", "responders"]].tolist() == [4, 3, 42]
    assert (table["n_patients"], table["n_hips"]) == (6, 7)
    values, came = np.array([40.0, 41, 42, 43, 44, 45, 46]), np.array([1, 1, 0, 1, 1, 0, 0], dtype=bool)
    low, high = difference_interval(values, came, ["p1", "p2", "p2", "p3", "p4", "p5", "p6"])
    assert (table["ci_low"], table["ci_high"]) == pytest.approx((low, high))


def test_small_counts_are_left_out():
    table = responder_comparison(rows(), patients(), **AT, characteristics=["age_years"], suppress_below=5)
    assert table[["n_responders", "responders", "standardised_difference"]].isna().all(axis=None)
    assert "not shown" in table["note"].iloc[0]
    many = completeness_rows(*[(f"p{n}", f"h{n}", "new", IN if n % 2 else "overdue", "") for n in range(20)])
    ages = pd.DataFrame({"patient_id": [f"p{n}" for n in range(20)], "age_years": np.arange(20.0)})
    shown = responder_comparison(many, ages, **AT, characteristics=["age_years"], suppress_below=5)
    assert shown.loc[0, ["n_responders", "responders"]].tolist() == [10, 10]


# by recovery ----------------------------------------------------------------------------------------------


def test_a_known_difference_is_found_again():
    rng = np.random.default_rng(3)
    came = rng.random(400) < 0.7
    many = completeness_rows(
        *[(f"p{n}", f"h{n}", "new", IN if one else "overdue", "") for n, one in enumerate(came)]
    )
    ages = pd.DataFrame(
        {"patient_id": [f"p{n}" for n in range(400)], "age_years": rng.normal(60, 8, 400) - 4 * came}
    )
    row = responder_comparison(many, ages, **AT, characteristics=["age_years"]).iloc[0]
    assert row["ci_low"] < -0.5 < row["ci_high"]


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"visit_id": "month_6"}, "month_6, visit"),
        ({}, {"examination": "blood"}, "month_12, blood"),
        ({}, {"characteristics": "sex"}, r"Write characteristics=\[\"sex\"\]"),
        ({}, {"characteristics": ["weight"]}, "weight: found no such column"),
        ({"patient_id": "p1"}, {}, "patient_id: found 'p1'"),
        ({"patient_id": list("abcdefghi")}, {}, "baseline, patient_id: found 'p1'.* everybody who was due"),
    ],
)
def test_wrong_input(change, options, match):
    with pytest.raises(StudyError, match=match):
        responder_comparison(
            rows(), patients().assign(**change), **{**AT, "characteristics": ["sex"], **options}
        )
