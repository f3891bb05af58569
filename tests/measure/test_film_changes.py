"""Change since a named film, with its limit; technique before components; lines that progress by rule."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.change import change_since
from cohortlib.measure.comparability import FILM_FACTS, LIMITS, flagged_changes, technique_changes
from cohortlib.measure.progression import RESULTS, lucency_progression
from cohortlib.tables import MEASUREMENT_COLUMNS

VISITS = ("week_6", "month_12", "month_24", "month_60")


def rows(quantity, by_visit, *, sd=1.0, method="as marked; scale: head"):
    return pd.DataFrame(
        [
            ["H1", "P1", visit, f"I-{visit}", "R1", 1, quantity, "", value, "mm", sd, method, ""]
            for visit, value in by_visit.items()
        ],
        columns=list(MEASUREMENT_COLUMNS),
    )


def changes(measurements, **other):
    return change_since(measurements, **{"visits": ("before", *VISITS), "baseline": "week_6", **other})


def films(**later):
    first = {
        "image_id": "I1",
        "patient_id": "P1",
        "visit_id": "week_6",
        "view": "AP pelvis",
        "position": "supine",
        "scale_source": "head",
        "source_to_detector_mm": 1150.0,
        "beam_left_mm": 0.0,
        "beam_proximal_mm": 20.0,
        "pelvic_tilt_deg": 2.0,
        "pelvic_rotation_deg": 1.0,
        "magnification": 1.15,
    }
    return pd.DataFrame([first, {**first, "image_id": "I2", "visit_id": "month_12", **later}])


def lines(*by_visit, name="width_mm"):
    return pd.DataFrame(
        [["H1", visit, "cup_3", "1", value] for visit, value in zip(VISITS, by_visit, strict=False)],
        columns=["hip_id", "visit_id", "zone_system", "zone", name],
    )


def progression(table, **other):
    options = {"visits": VISITS, "baseline": "week_6", "width_limit_mm": 0.5, **other}
    return lucency_progression(table, **options).iloc[0]


# by hand


def test_four_millimetres_deeper_is_subsidence_of_four():
    found = changes(rows("stem_depth", {"week_6": 20.0, "month_12": 24.0})).iloc[0]
    assert (found["quantity"], found["value"], found["unit"]) == ("subsidence", 4.0, "mm")
    assert found["sd"] == pytest.approx(np.sqrt(2))
    assert found["note"] == "detection limit 2.8 mm"
    assert found["method"].startswith("since week_6, image I-week_6; as marked")


def test_a_change_within_the_limit_says_so():
    found = changes(rows("hip_centre_vertical", {"week_6": 14.0, "month_12": 16.0}))
    assert found.iloc[0]["quantity"] == "cup_migration_proximal"
    assert found.iloc[0]["note"] == "detection limit 2.8 mm; not told from none"


def test_narrowing_in_both_ways():
    ratios = rows("neck_head_ratio", {"week_6": 0.860, "month_12": 0.770}, sd=0.01)
    found = changes(ratios).set_index("quantity")
    assert found.loc["neck_narrowing_relative", "value"] == pytest.approx(10.465, abs=1e-3)
    assert found.loc["neck_narrowing_points", "value"] == pytest.approx(9.0)
    assert found.loc["neck_narrowing_points", "sd"] == pytest.approx(1.414, abs=1e-3)


def test_no_earlier_reading_and_another_scale_are_said():
    alone = rows("stem_depth", {"week_6": 20.0, "month_12": 24.0})
    alone.loc[1, "reader_id"] = "R2"
    found = changes(alone).iloc[0]
    assert np.isnan(found["value"])
    assert found["note"] == "not read by this reader at week_6"
    other = rows("stem_depth", {"week_6": 20.0, "month_12": 24.0})
    other.loc[1, "method"] = "as marked; scale: header"
    note = changes(other).iloc[0]["note"]
    assert note.endswith("measured otherwise before: as marked; scale: head")


def test_like_films_are_comparable_and_unlike_ones_say_why():
    assert technique_changes(films(), baseline="week_6")["comparable"].tolist() == ["yes"]
    found = technique_changes(films(position="standing", pelvic_tilt_deg=-4.0), baseline="week_6").iloc[0]
    assert found["comparable"] == "no"
    assert "position supine → standing" in found["changed"]
    assert "pelvic_tilt_deg 2 → -4: one degree of tilt" in found["changed"]


def test_technique_is_flagged_before_the_component():
    change = changes(rows("stem_depth", {"week_6": 20.0, "month_12": 24.0}))
    change["image_id"] = "I2"
    technique = technique_changes(films(position="standing"), baseline="week_6")
    note = flagged_changes(change, technique).iloc[0]["note"]
    assert note.startswith("technique changed: position supine → standing")
    assert note.endswith("detection limit 2.8 mm")
    same = flagged_changes(change, technique_changes(films(), baseline="week_6")).iloc[0]["note"]
    assert same == "detection limit 2.8 mm"


@pytest.mark.parametrize(
    ("widths", "result"),
    [
        ((0.5, 1.2, 1.3), ("progressive", "month_12")),
        ((0.5, 1.2, 0.6, 1.2), ("once, to be confirmed", "month_60")),
        ((0.5, 1.2, 0.6), ("not progressive", "")),
        ((0.5, 0.9, 1.2), ("once, to be confirmed", "month_24")),
        ((0.5, 1.2, np.nan, 1.2), ("progressive", "month_12")),  # not assessable neither confirms nor clears
        ((0.5, 1.0, 1.0), ("not progressive", "")),  # at the limit is within it
        ((np.nan, 1.2, 1.3), ("not assessable", "")),
        ((0.5,), ("not assessable", "")),
    ],
)
def test_two_consecutive_visits_beyond_error(widths, result):
    found = progression(lines(*widths))
    assert (found["result"], found["since"]) == result


def test_states_count_by_their_order():
    states = lines("none", "incomplete", "not assessable", "complete", name="state")
    found = progression(states)
    assert (found["result"], found["reason"]) == ("progressive", "state none → incomplete")
    assert found["n_assessable"] == 2
    assert progression(lines("complete", "incomplete", "none", name="state"))["result"] == "not progressive"


def test_a_film_from_before_the_baseline_is_no_later_one():
    ratios = rows("neck_head_ratio", {"before": 0.9, "week_6": 0.86, "month_12": 0.86})
    assert changes(ratios)["visit_id"].tolist() == ["month_12"] * 2


# by reference: trade rules, common practice, no source (two consecutive visits)


def test_limits_name_what_they_do():
    assert set(LIMITS) < set(FILM_FACTS)
    assert "3 to 6 degrees" in LIMITS["beam_left_mm"].effect  # Derbyshire 2008


# by law


@given(st.floats(-20, 20), st.floats(0.1, 3), st.floats(0, 30))
@settings(max_examples=30, deadline=None)
def test_a_change_and_its_sd_do_not_depend_on_where_it_begins(change, sd, start):
    table = rows("stem_depth", {"week_6": start, "month_12": start + change}, sd=sd)
    found = changes(table).iloc[0]
    assert found["value"] == pytest.approx(change, abs=1e-9)
    assert ("not told from none" in found["note"]) == (abs(found["value"]) <= 1.96 * found["sd"])


@given(st.lists(st.one_of(st.none(), st.floats(0, 3)), min_size=1, max_size=4), st.floats(0.1, 1))
@settings(max_examples=60, deadline=None)
def test_a_larger_limit_never_finds_more(widths, limit):
    table = lines(*[np.nan if width is None else width for width in widths])
    order = {"progressive": 2, "once, to be confirmed": 1, "not progressive": 0, "not assessable": -1}
    small, large = (progression(table, width_limit_mm=value)["result"] for value in (limit, 2 * limit))
    assert order[small] >= order[large]
    assert small in RESULTS


def test_two_films_differ_as_much_from_either_end():
    there = technique_changes(films(beam_left_mm=40.0), baseline="week_6")
    back = technique_changes(films(beam_left_mm=40.0), baseline="month_12")
    assert there["comparable"].tolist() == back["comparable"].tolist() == ["no"]


# by recovery


def test_noise_alone_is_told_from_none_in_one_of_twenty():
    rng = np.random.default_rng(21)
    tables = []
    for k in range(1500):
        table = rows("stem_depth", {"week_6": rng.normal(20, 1), "month_12": rng.normal(20, 1)})
        tables.append(table.assign(hip_id=f"H{k}"))
    found = changes(pd.concat(tables, ignore_index=True))
    share = 1 - found["note"].str.contains("not told").mean()
    assert share == pytest.approx(0.05, abs=0.02)


# by failure


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (
            lambda: changes(rows("stem_depth", {"month_12": 1.0})),
            "found no row of 'week_6'. Expected one of month_12",
        ),
        (
            lambda: changes(pd.concat([rows("stem_depth", {"week_6": 1.0, "month_12": 2.0})] * 2)),
            "found H1, R1, 1, stem_depth twice",
        ),
        (
            lambda: changes(rows("stem_depth", {"week_6": 1.0}).drop(columns="sd")),
            "sd: found no such column",
        ),
        (
            lambda: changes(rows("stem_depth", {"week_6": 1.0, "day_3": 2.0})),
            "visit_id: found 'day_3'. Expected one of before, week_6",
        ),
        (lambda: technique_changes(films(), baseline="before"), "found no film"),
        (
            lambda: technique_changes(films().drop(columns="patient_id"), baseline="week_6"),
            "patient_id: found",
        ),
        (
            lambda: technique_changes(films(visit_id="week_6"), baseline="week_6"),
            "found two films of P1. Expected one film",
        ),
        (lambda: progression(lines(1.0), baseline="before"), "baseline: found 'before'"),
        (lambda: progression(lines(1.0), width_limit_mm=0.0), r"width_limit_mm: found 0\.0"),
        (lambda: progression(lines("worse", name="state")), "state: found 'worse'"),
        (lambda: progression(pd.concat([lines(1.0)] * 2)), "found H1, week_6, cup_3, 1. Expected one row"),
        (lambda: progression(lines(1.0, name="depth")), "nothing to compare"),
    ],
)
def test_wrong_arguments_are_refused(call, match):
    with pytest.raises(StudyError, match=match):
        call()


def test_what_is_not_known_is_not_comparable():
    bare = films().drop(columns=["view", "position"])
    found = technique_changes(bare, baseline="week_6").iloc[0]
    assert (found["comparable"], found["changed"]) == ("not known", "")
    assert found["not_known"] == "view, position"
    lone = films()
    lone.loc[1, "patient_id"] = "P2"
    assert technique_changes(lone, baseline="week_6").iloc[0]["not_known"] == "no film at week_6"
