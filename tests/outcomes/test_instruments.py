"""The catalogue of instruments, and that the study's definition says the same."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from cohortlib.outcomes.instruments import INSTRUMENTS
from cohortlib.outcomes.questionnaires import SCORE_UNIT
from cohortlib.study import definition_keys, definition_rules

DEMO = Path(__file__).parents[2] / "synthetic_cohort" / "study.toml"


# By law --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("instrument", INSTRUMENTS.values(), ids=list(INSTRUMENTS))
def test_a_row_is_consistent(instrument) -> None:
    assert instrument.items >= 1
    assert instrument.lowest < instrument.highest
    assert 0 <= instrument.most_missing < instrument.items
    assert instrument.score_at_lowest != instrument.score_at_highest
    assert instrument.direction in definition_keys.DIRECTIONS
    assert instrument.source


@pytest.mark.parametrize("entry", tomllib.loads(DEMO.read_text(encoding="utf-8"))["instruments"])
def test_the_demo_codes_its_answers_as_the_catalogue_scores_them(entry: dict) -> None:
    instrument = INSTRUMENTS[entry["instrument"]]
    for name in ("label", "items", "lowest", "highest", "direction"):
        assert entry[name] == getattr(instrument, name), name


def test_thresholds_of_scores_have_the_unit_of_scores() -> None:
    assert definition_rules.SCORE_UNIT == SCORE_UNIT
