import numpy as np
import pandas as pd
import pytest
from completeness_rows import IN, OUT, completeness_rows, small_cohort
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.stats.completeness import STATUS_ORDER, SUMS, completeness_summary

COUNTS = list(SUMS)


def counted(table, word, **wanted):
    for column, value in {"counted": word, **wanted}.items():
        table = table[table[column] == value]
    assert len(table) == 1
    return table.iloc[0]


# by hand --------------------------------------------------------------------------------------------------


def test_patients_and_hips_are_counted_apart():
    table = completeness_summary(small_cohort())
    hips = counted(table, "hips", arm="new")
    assert hips[
        ["n_all", "n_due", "n_received", "n_in_window", "n_outside_window", "n_overdue"]
    ].tolist() == [
        5,
        5,
        4,
        3,
        1,
        1,
    ]
    assert hips["percent_received_of_due"] == 80
    # p3 lacks one of two hips, so he is no complete patient: p1, p2 and p4 are.
    patients = counted(table, "patients", arm="new")
    assert patients[["n_all", "n_received", "n_overdue"]].tolist() == [4, 3, 1]
    assert patients["percent_received_of_due"] == 75


def test_what_came_early_is_received_but_not_of_what_was_due():
    table = completeness_summary(small_cohort())
    hips = counted(table, "hips", arm="old")
    names = ["n_all", "n_excused", "n_expected", "n_due", "n_received", "n_received_of_due", "n_not_yet_due"]
    assert hips[names].tolist() == [4, 1, 3, 1, 2, 1, 1]
    # The revised hip of p5 excuses that hip only: the patient is there with the other.
    patients = counted(table, "patients", arm="old")
    assert patients[names].tolist() == [3, 0, 3, 1, 2, 1, 1]


def test_a_patient_with_a_hip_in_each_arm_counts_once_in_all():
    table = completeness_summary(small_cohort(), by=())
    patients = counted(table, "patients")
    assert patients["n_all"] == 7
    assert counted(table, "hips")["n_all"] == 9
    assert list(table.columns[:3]) == ["visit_id", "examination", "counted"]


def test_nothing_due_has_no_percentage():
    rows = completeness_rows(("p1", "h1", "new", "not yet due", ""))
    assert np.isnan(completeness_summary(rows)["percent_received_of_due"]).all()


def test_order_is_that_of_the_schedule():
    parts = [
        small_cohort().assign(visit_id=visit, examination=examination)
        for visit in ("week_6", "month_12")
        for examination in ("visit", "radiograph")
    ]
    table = completeness_summary(pd.concat(parts, ignore_index=True), by=())
    found = (
        table.drop_duplicates(["visit_id", "examination"])[["visit_id", "examination"]].to_numpy().tolist()
    )
    assert found == [
        ["week_6", "visit"],
        ["week_6", "radiograph"],
        ["month_12", "visit"],
        ["month_12", "radiograph"],
    ]


def test_small_counts_are_left_out_with_what_gives_them_away():
    rows = completeness_rows(
        *[(f"p{n}", f"h{n}", "new", IN, "") for n in range(30)],
        *[(f"q{n}", f"k{n}", "new", "overdue", "") for n in range(2)],
    )
    row = counted(completeness_summary(rows, suppress_below=5), "hips")
    assert row["n_all"] == 32
    assert row["n_due"] == 32
    for name in ("n_overdue", "n_received", "n_received_of_due", "n_in_window"):
        assert row[name] is pd.NA, name
    assert np.isnan(row["percent_received_of_due"])
    assert row["n_window_open"] == 0
    assert "not shown" in row["note"]


def test_large_counts_stay():
    rows = completeness_rows(
        *[(f"p{n}", f"h{n}", "new", IN, "") for n in range(30)],
        *[(f"q{n}", f"k{n}", "new", "overdue", "") for n in range(6)],
    )
    shown, whole = completeness_summary(rows, suppress_below=5), completeness_summary(rows)
    pd.testing.assert_frame_equal(shown, whole, check_dtype=False)


# by reference: the demo study, counted another way, is in tests/study/test_completeness.py ----------------


# by law ---------------------------------------------------------------------------------------------------

statuses = st.lists(
    st.tuples(
        st.integers(0, 5),
        st.sampled_from(["new", "old"]),
        st.sampled_from([*STATUS_ORDER, f"{IN}, early", f"{OUT}, early"]),
    ),
    min_size=1,
    max_size=15,
)


def rows_of(lines):
    return completeness_rows(
        *[(f"p{who}", f"h{n}", arm, status, "") for n, (who, arm, status) in enumerate(lines)]
    )


@settings(max_examples=40, deadline=None)
@given(statuses)
def test_counts_add_up(lines):
    table = completeness_summary(rows_of(lines), by=())
    for row in table.to_dict("records"):
        assert row["n_all"] == row["n_excused"] + row["n_expected"]
        missing = row["n_overdue"] + row["n_window_open"] + row["n_not_yet_due"]
        assert row["n_expected"] == row["n_received"] + missing
        assert row["n_received"] == row["n_in_window"] + row["n_outside_window"] + row["n_window_unknown"]
        assert row["n_due"] == row["n_received_of_due"] + row["n_overdue"] + row["n_window_open"]
        assert not row["percent_received_of_due"] > 100
    assert counted(table, "hips")["n_all"] == len(lines)
    assert counted(table, "patients")["n_all"] == len({who for who, _, _ in lines})


@settings(max_examples=20, deadline=None)
@given(statuses, st.randoms(use_true_random=False))
def test_order_of_rows_does_not_matter(lines, random):
    rows = rows_of(lines)
    shuffled = rows.sample(frac=1, random_state=random.randrange(99))
    key = ["arm", "counted"]
    one, other = (
        completeness_summary(table).sort_values(key, ignore_index=True) for table in (rows, shuffled)
    )
    pd.testing.assert_frame_equal(one, other)


@settings(max_examples=25, deadline=None)
@given(statuses)
def test_nothing_small_is_left(lines):
    table = completeness_summary(rows_of(lines), suppress_below=5)
    shown = table[COUNTS].astype("float64").to_numpy()
    assert not ((shown > 0) & (shown < 5)).any()


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"by": "arm"}, r"Write by=\[\"arm\"\]"),
        ({}, {"by": ("centre",)}, "centre: found no such column"),
        ({"status": "late"}, {}, "status: found 'late'"),
        ({"hip_id": "h1", "patient_id": "p1"}, {}, "Give the rows of one data cut"),
        ({"patient_id": None}, {}, "every row to say whose it is"),
        ({}, {"suppress_below": 0}, "smallest count that may be shared"),
    ],
)
def test_wrong_input(change, options, match):
    with pytest.raises(StudyError, match=match):
        completeness_summary(small_cohort().assign(**change), **options)
