"""Films to practise on: read by all readers, one a patient, half of them with a line."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.readings import make_worklist
from cohortlib.tables import DICTIONARY, Study
from cohortlib.widgets.pad import ShownFilm
from cohortlib.widgets.pad.practice import practice_films


def film_of(image_id: str) -> ShownFilm:
    return ShownFilm(Radiograph(np.zeros((2, 2), dtype=np.float32), None, "unknown"), image_id[-1] * 64)


def study() -> Study:
    """Ten films, a line on every second. P9 has two cups, P0 was read by R1 only; the others serve."""
    grades, marks = [], []
    for number in range(10):
        readers = ["R1"] if number == 0 else ["R1", "R2"]
        for reader in readers:
            marks.append((f"I{number}", reader))
            for side in ["left", "right"] if number == 9 else [["left", "right"][number % 2]]:
                state = "incomplete" if number % 2 and reader == "R1" else "none"
                grades.append((f"I{number}", reader, 1, side, "cup_3", "1", state))
                grades.append((f"I{number}", reader, 1, side, "stem_7", "1", "complete"))
    columns = ["image_id", "reader_id", "repeat", "side", "zone_system", "zone", "state"]
    tables = {name: pd.DataFrame({column: [] for column in columns}) for name, columns in DICTIONARY.items()}
    tables["gradings"] = pd.DataFrame(grades, columns=columns)
    tables["landmarks"] = pd.DataFrame(marks, columns=["image_id", "reader_id"])
    ids = range(10)
    tables["images"] = pd.DataFrame(
        {"image_id": [f"I{number}" for number in ids], "patient_id": [f"P{number}" for number in ids]}
    )
    empty = pd.DataFrame()
    return Study(Path(), "drawn", "a", empty, empty, empty, empty, {}, None, True, tables)


ALL = {"readers": ["R1", "R2"], "number": 8, "seed": 1}

# By hand -------------------------------------------------------------------------------------------


def test_of_ten_films_eight_serve() -> None:
    chosen = practice_films(study(), film_of, **ALL)
    assert chosen["image_id"].tolist() == [f"I{number}" for number in range(1, 9)]
    assert chosen["sides"].tolist() == ["right", "left"] * 4
    assert chosen["image_sha256"].tolist() == [str(number) * 64 for number in range(1, 9)]


def test_a_worklist_is_made_of_them() -> None:
    chosen = practice_films(study(), film_of, **ALL)
    assert len(make_worklist(chosen, readers=["student"], repeat_share=0.2, seed=1)) == 10


# By law --------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([2, 4, 6]))
def test_half_show_a_line_whatever_the_seed(seed: int, number: int) -> None:
    chosen = practice_films(study(), film_of, readers=["R1", "R2"], number=number, seed=seed)
    odd = chosen["image_id"].str[1:].astype(int) % 2
    assert (len(chosen), odd.sum()) == (number, number // 2)
    again = practice_films(study(), film_of, readers=["R1", "R2"], number=number, seed=seed)
    pd.testing.assert_frame_equal(chosen, again)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_patient_comes_once(seed: int) -> None:
    one = study()
    images = one.images.assign(patient_id=one.images["patient_id"].replace({"P3": "P1", "P4": "P1"}))
    twice = dataclasses.replace(one, tables={**one.tables, "images": images})
    chosen = practice_films(twice, film_of, readers=["R1", "R2"], number=6, seed=seed)
    patients = chosen["image_id"].map(images.set_index("image_id")["patient_id"])
    assert patients.is_unique


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"number": 3}, "an even number"),
        ({"number": 0}, "an even number"),
        ({"number": 10}, "5 with a line beside their one cup, as many without"),
        ({"readers": ["R1", "R9"]}, "found 0 patients whose film serves"),
        ({"readers": []}, "readers: found 'none'"),
    ],
)
def test_too_few_films(asked: dict, message: str) -> None:
    with pytest.raises(StudyError, match=message):
        practice_films(study(), film_of, **ALL | asked)
