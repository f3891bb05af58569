"""The sentence of a problem, and the one exception for wrong data."""

from __future__ import annotations

import pickle

import pandas as pd
import pytest

from cohortlib.errors import PROBLEM_COLUMNS, StudyError, problem, problem_table, sentence, study_error

SIDE = problem(
    file="tables/hips.csv",
    line=14,
    column="side",
    found="L",
    count=3,
    expected="'left' or 'right'",
    remedy="Correct the file or add the spelling to study.toml [spellings.side]",
)


# By hand -------------------------------------------------------------------------------------------


def test_the_sentence_has_five_parts() -> None:
    assert sentence(SIDE) == (
        "tables/hips.csv line 14, side: found 'L' (3 rows). Expected 'left' or 'right'. "
        "Correct the file or add the spelling to study.toml [spellings.side]."
    )


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ({}, "found 7. Expected x. y."),
        ({"file": "a.csv"}, "a.csv: found 7. Expected x. y."),
        ({"column": "side"}, "side: found 7. Expected x. y."),
        ({"file": "a.csv", "line": 2}, "a.csv line 2: found 7. Expected x. y."),
        ({"found": ""}, "found ''. Expected x. y."),
        ({"found": " a b"}, "found ' a b'. Expected x. y."),  # the spaces are what is wrong
        ({"found": "no spacing"}, "found no spacing. Expected x. y."),  # a description, not a value
    ],
)
def test_parts_that_are_not_known_are_left_out(parts: dict, said: str) -> None:
    assert sentence(problem(**{"found": 7, "expected": "x", "remedy": "y", **parts})) == said


def test_all_problems_are_in_the_table_and_in_the_message() -> None:
    error = StudyError([SIDE, problem(found=3, expected="4", remedy="Add one")])
    assert list(error.problems) == list(PROBLEM_COLUMNS)
    assert error.problems["line"].dtype == "Int64"
    assert error.problems["found"].tolist() == ["L", 3]
    assert len(str(error).splitlines()) == 2
    assert isinstance(error, ValueError)


def test_no_problem_is_an_empty_table() -> None:
    table = problem_table([])
    assert table.empty
    assert list(table) == list(PROBLEM_COLUMNS)


# By law --------------------------------------------------------------------------------------------


def test_the_error_survives_another_process() -> None:
    error = StudyError([SIDE, problem(found=3, expected="4", remedy="Add one")])
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error)
    pd.testing.assert_frame_equal(again.problems, error.problems)


# By failure ----------------------------------------------------------------------------------------


def test_one_problem_is_raised_by_its_parts() -> None:
    with pytest.raises(StudyError, match=r"^study\.toml, title: found 'x'\. Expected y\. Do z\.$"):
        raise study_error(file="study.toml", column="title", found="x", expected="y", remedy="Do z")
    with pytest.raises(TypeError):
        study_error(file="study.toml", found="x")
