"""study.toml: the demo is accepted, and every wrong key says where it stands and what to do."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from small_study_files import small_study_text

from cohortlib.study.definition import study_definition

DEMO = Path(__file__).parents[2] / "synthetic_cohort" / "study.toml"


# By hand -------------------------------------------------------------------------------------------


def test_the_demo_is_accepted() -> None:
    definition, problems = study_definition(DEMO.read_bytes())
    assert problems == []
    assert definition["comparator"] in set(definition["arms"]["arm"])
    assert definition["data_cut"] == pd.Timestamp("2031-06-30")
    assert definition["synthetic"] is True
    assert definition["visits"]["due_days"].is_monotonic_increasing


def test_what_may_be_left_out_is_empty_and_typed() -> None:
    text = small_study_text("study.toml")
    text = (
        text[: text.index("[[thresholds]]")]
        .replace("data_cut = 2032-12-31\n", "")
        .replace("synthetic = true\n", "")
    )
    definition, problems = study_definition(text.encode())
    assert problems == []
    assert definition["data_cut"] is None
    assert definition["synthetic"] is False
    assert definition["thresholds"].empty
    assert definition["thresholds"].dtypes["lower"] == "float64"
    usual = {"encoding": "utf-8", "separator": ",", "decimal": ".", "dates": "year first"}
    assert definition["files"] == usual


def test_a_threshold_may_be_one_sided_and_may_belong_to_an_instrument() -> None:
    text = small_study_text("study.toml") + (
        '[[thresholds]]\nthreshold = "smallest that matters"\nquantity = "oxford_hip_score"\nlower = 5\n'
        'unit = "{score}"\nsource = "made up"\n'
    )
    definition, problems = study_definition(text.encode())
    assert problems == []
    assert definition["thresholds"]["upper"].isna().tolist() == [False, True]


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "place", "found", "said"),
    [
        ('title = "Small', 'titel = "Small', (None, "title"), "no such key", "Rename 'titel'"),
        ('title = "Small', 'titel = "Small', (1, "titel"), "unknown key titel", "Rename it to 'title'"),
        ("synthetic = true", "synthetic = 1", (2, "synthetic"), 1, "true or false"),
        (
            "data_cut = 2032-12-31",
            'data_cut = "2032-12-31"',
            (4, "data_cut"),
            "2032-12-31",
            "without quotation",
        ),
        ("data_cut = 2032-12-31", "data_cut = 2032-12-31T00:00:00", (4, "data_cut"), None, "a date such as"),
        (
            'comparator = "short_stem"',
            'comparator = "x"',
            (3, "comparator"),
            "x",
            "'resurfacing' or 'short_stem'",
        ),
        ('arm = "short_stem"', 'arm = "resurfacing"', (11, "[[arms]] arm"), "resurfacing", "each entry once"),
        ('arm = "short_stem"', 'arm = "short stem"', (11, "[[arms]] arm"), "short stem", "an id"),
        ('label = "Short stem"', "", (10, "[[arms]] label"), "no such key", "as figures show it"),
        (
            "due_days = 42",
            "due_days = 420",
            (24, "[[visits]] due_days"),
            "week_6: 28, 420, 70",
            "earliest_days ≤",
        ),
        ("due_days = 42", 'due_days = "42"', (24, "[[visits]] due_days"), "42", "a whole number"),
        ("due_days = 42", "due_days = 42.0", (24, "[[visits]] due_days"), 42.0, "a whole number"),
        ("due_days = 42", "due_days = true", (24, "[[visits]] due_days"), True, "a whole number"),
        ("due_days = 42", "due_dais = 42", (24, "[[visits]] due_dais"), "unknown key due_dais", "'due_days'"),
        ("highest = 4", "highest = 0", None, None, "at least 1|from 1 to 100"),
        ("lowest = 0", "lowest = 4", (40, "[[instruments]] highest"), None, "lowest < highest"),
        (
            '"high is good"',
            '"up"',
            (41, "[[instruments]] direction"),
            "up",
            "'high is good' or 'low is good'",
        ),
        (
            '[endpoint]\ninstrument = "oxford',
            '[endpoint]\ninstrument = "oxfort',
            None,
            "oxfort_hip_score",
            "did you",
        ),
        (
            '[endpoint]\ninstrument = "oxford_hip_score"',
            "[endpoint]",
            (43, "[endpoint]"),
            "neither",
            "either",
        ),
        ("[endpoint]\n", '[endpoint]\nquantity = "inclination"\n', (43, "[endpoint]"), "both", "either"),
        (
            "[endpoint]\n",
            "[endpoint]\nmargin = 5\n",
            None,
            "a margin alone",
            "margin_rationale, margin_fixed_on",
        ),
        ("[endpoint]\n", "[endpoint]\nmargin = -5\n", None, -5, "a margin above 0"),
        ("[endpoint]", "[end]", (43, "end"), "unknown key end", "Remove it|Rename"),
        ("[endpoint]", "[[endpoint]]", None, None, "one \\[endpoint\\]"),
        (
            "[endpoint]",
            '[[thresholds]]\n[files]\ndecimal = ","\n[endpoint]',
            (45, "[files] decimal"),
            ",",
            "another",
        ),
        (
            "[endpoint]",
            '[files]\nencoding = "latin-1"\n[endpoint]',
            None,
            "latin-1",
            "'utf-8' or 'windows-1252'",
        ),
        ("[endpoint]", '[spellings.side]\nL = "lef"\n[endpoint]', (44, None), "L = lef", "'left' or 'right'"),
        (
            "[endpoint]",
            '[spellings.device]\nL = "left"\n[endpoint]',
            (43, None),
            "device",
            "column of choices",
        ),
        (
            'quantity = "inclination"',
            'quantity = "inclinaton"',
            None,
            "inclinaton",
            "did you mean 'inclination'",
        ),
        ('unit = "deg"', 'unit = "rad"', (52, "[[thresholds]] unit"), "rad", "'deg' for inclination"),
        ("lower = 30", "lower = 60", (50, "[[thresholds]] lower"), "lower 60.0, upper 50.0", "lower < upper"),
        ("lower = 30", "lower = nan", (50, "[[thresholds]] lower"), None, "a number"),
        ('source = "made up for the tests"', "", None, "no such key", "where the limits come from"),
        (
            "data_cut = 2032-12-31",
            "data_cut = 2032-13-31",
            (4, ""),
            None,
            "a TOML file",
        ),
        ("data_cut = 2032-12-31", "data_cut = " + "9" * 5000, None, None, "a TOML file"),
        ("data_cut = 2032-12-31", "x = " + "[" * 20000, None, "brackets nested too deep", "a TOML file"),
    ],
)
def test_a_wrong_key(old: str, new: str, place: tuple | None, found: object, said: str) -> None:
    text = small_study_text("study.toml")
    assert text.count(old) == 1
    _, problems = study_definition(text.replace(old, new).encode())
    frame = pd.DataFrame(problems)
    frame["line"] = [row["line"] for row in problems]
    frame["line"] = frame["line"].astype("Int64")
    frame["said"] = frame["expected"] + ". " + frame["remedy"]
    fits = frame["said"].str.contains(said)
    if found is not None:
        fits &= frame["found"].map(lambda value: value == found and type(value) is type(found))
    assert fits.any(), frame[["line", "column", "found", "said"]].to_dict("records")
    if place is not None:
        row = frame[fits].iloc[0]
        assert row["file"] == "study.toml"
        assert place[0] is None if pd.isna(row["line"]) else row["line"] == place[0]
        assert place[1] is None or row["column"] == place[1]


def test_text_that_is_no_utf8_names_the_line() -> None:
    data = small_study_text("study.toml").replace("Short stem", "Kürzer").encode("windows-1252")
    _, problems = study_definition(data)
    assert problems[0]["line"] == 12
    assert problems[0]["found"] == "byte 0xfc, which is no UTF-8 text"


def test_missing_sections_are_named() -> None:
    _, problems = study_definition(b'title = "A"\ncomparator = "x"\n')
    assert [row["column"] for row in problems] == ["[[arms]]", "[[visits]]", "[endpoint]"]
    assert "visit_id, label, due_days" in problems[1]["remedy"]
