import pandas as pd
import pytest
from completeness_rows import IN, OUT, completeness_rows, small_cohort
from hypothesis import given, settings
from test_completeness_summary import rows_of, statuses

from cohortlib.errors import StudyError
from cohortlib.stats.flow import FLOW_COLUMNS, OUTSIDE, flow_table


def counts(table, stage, arm=""):
    rows = table[(table["stage"] == stage) & (table["arm"] == arm)]
    return {row.outcome: (row.n_patients, row.n_hips) for row in rows.itertuples()}


# by hand --------------------------------------------------------------------------------------------------


def test_every_stage_in_patients_and_hips():
    table = flow_table(small_cohort())
    assert list(table.columns) == list(FLOW_COLUMNS)
    assert counts(table, "enrolled") == {"enrolled": (7, 9), "not operated": (1, 0)}
    assert counts(table, "arm", "new") == {"in arm": (4, 5)}
    assert counts(table, "arm", "old") == {"in arm": (3, 4)}
    assert counts(table, "visit", "new") == {"received": (3, 4), OUTSIDE: (1, 1), "missed": (1, 1)}
    # p5 is there with his other hip: a revision takes the hip, not the patient.
    assert counts(table, "visit", "old") == {"received": (2, 2), "not yet due": (1, 1), "revision": (0, 1)}
    assert table["step"].tolist() == [0, 0, 1, 1, 2, 2, 2, 2, 2, 2]


def test_reasons_are_told_apart():
    rows = completeness_rows(
        ("p1", "h1", "new", "overdue", ""),
        ("p2", "h2", "new", "overdue", "lost"),
        ("p3", "h3", "new", "excused", "death"),
        ("p4", "h4", "new", "excused", "withdrawal"),
        ("p5", "h5", "new", "excused", "hip operated on after the window"),
        ("p6", "h6", "new", "window open", "lost"),
        ("p7", "h7", "new", "received, window unknown", ""),
    )
    found = counts(flow_table(rows), "visit", "new")
    assert set(found.values()) == {(1, 1)}
    assert list(found) == [
        "received",
        "missed",
        "lost",
        "death",
        "withdrawal",
        "hip operated on after the window",
        "window open",
    ]


def test_what_came_after_an_ending_is_a_part_of_what_came():
    rows = completeness_rows(
        ("p1", "h1", "new", IN, ""),
        ("p2", "h2L", "new", IN, "after revision"),
        ("p2", "h2R", "new", IN, ""),
        ("p3", "h3", "new", OUT, "after withdrawal"),
    )
    assert counts(flow_table(rows), "visit", "new") == {
        "received": (3, 4),
        OUTSIDE: (1, 1),
        "after withdrawal": (1, 1),
        "after revision": (1, 1),
    }


def test_analysed_and_not():
    analysed = pd.DataFrame({"hip_id": ["h1", "h2", "h3L", "h4R"]})
    table = flow_table(small_cohort(), analysed=analysed)
    # p3 is analysed with one of his hips; of p4's the one in the other arm is.
    assert counts(table, "analysed", "new") == {"analysed": (3, 3), "not analysed": (1, 2)}
    assert counts(table, "analysed", "old") == {"analysed": (1, 1), "not analysed": (2, 3)}


def test_visits_follow_each_other_and_one_examination_is_followed():
    rows = pd.concat(
        [
            small_cohort().assign(visit_id=visit, examination=examination)
            for visit in ("week_6", "month_12")
            for examination in ("visit", "radiograph")
        ],
        ignore_index=True,
    )
    table = flow_table(rows, examination="radiograph")
    steps = table[["step", "stage", "visit_id"]].drop_duplicates().to_numpy().tolist()
    assert steps == [[0, "enrolled", ""], [1, "arm", ""], [2, "visit", "week_6"], [3, "visit", "month_12"]]


def test_small_counts_are_left_out_with_what_gives_them_away():
    rows = completeness_rows(
        *[(f"p{n}", f"h{n}", "new", IN, "") for n in range(20)],
        ("q1", "k1", "new", "overdue", ""),
        *[(f"r{n}", f"l{n}", "old", IN, "") for n in range(9)],
    )
    table = flow_table(rows, suppress_below=5)
    assert counts(table, "arm", "new") == {"in arm": (21, 21)}
    assert counts(table, "visit", "new") == {"received": (pd.NA, pd.NA), "missed": (pd.NA, pd.NA)}
    assert counts(table, "visit", "old") == {"received": (9, 9)}
    assert table.loc[table["arm"] == "new", "note"].str.contains("not shown").tolist() == [False, True, True]


def test_those_not_operated_on_do_not_follow_from_the_arms():
    rows = completeness_rows(
        *[(f"p{n}", f"h{n}", "new", IN, "") for n in range(20)],
        ("q1", None, None, "not yet due", "no operation"),
    )
    table = flow_table(rows, suppress_below=5)
    patients = table.set_index("outcome")["n_patients"]
    assert patients["not operated"] is pd.NA
    assert patients.isna().sum() > 1


def test_rows_may_come_with_any_index():
    rows = small_cohort()
    doubled = rows.set_index(pd.Index([0] * len(rows)))
    analysed = pd.DataFrame({"hip_id": ["h1", "h4R"]})
    pd.testing.assert_frame_equal(flow_table(doubled, analysed=analysed), flow_table(rows, analysed=analysed))


# by law ---------------------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(statuses)
def test_a_visit_is_its_arm_taken_apart(lines):
    table = flow_table(
        rows_of(lines).assign(reason=lambda rows: rows["status"].map({"excused": "death"}).fillna(""))
    )
    arms = table[table["stage"] == "arm"].set_index("arm")
    parts = table[(table["stage"] == "visit") & (table["outcome"] != OUTSIDE)].groupby("arm")
    for column in ("n_patients", "n_hips"):
        assert parts[column].sum().to_dict() == arms[column].to_dict()


@settings(max_examples=20, deadline=None)
@given(statuses)
def test_nothing_small_is_left(lines):
    table = flow_table(rows_of(lines), suppress_below=5)
    for column in ("n_patients", "n_hips"):
        assert not table[column].dropna().between(1, 4).any()


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"examination": "radiograph"}, "radiograph.* Expected one of visit"),
        ({}, {"analysed": pd.DataFrame({"hip_id": ["h1", "h99"]})}, "analysed, hip_id: found 'h99'"),
        ({}, {"analysed": pd.DataFrame({"hip_id": ["h1", "h1"]})}, "hip_id: found 'h1'"),
        ({}, {"analysed": pd.DataFrame({"patient_id": ["p1"]})}, "hip_id: found no such column"),
        ({"hip_id": "h1", "patient_id": "p1"}, {}, "Give the rows of one data cut"),
    ],
)
def test_wrong_input(change, options, match):
    with pytest.raises(StudyError, match=match):
        flow_table(small_cohort().assign(**change), **options)


def test_columns_are_all_named():
    with pytest.raises(StudyError, match="reason: found no such column"):
        flow_table(small_cohort().drop(columns="reason"))
