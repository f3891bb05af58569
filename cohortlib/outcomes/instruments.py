"""INSTRUMENTS: questionnaires that can be scored; one row each, numbers only, no wording.

The range of an answer stands in study.toml too, where it says how the study's file is coded; here it
says what the score is defined on. A test keeps both equal for the demo study; for another study
`questionnaire_scores` refuses answers that are coded another way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Instrument:
    """One row of the catalogue.

    Attributes
    ----------
    name
        As it stands in the `instrument` column.
    label
        As figures show it.
    items, lowest, highest
        Number of questions, and the range of the score of one answer.
    most_missing
        With more items missing there is no score.
    score_at_lowest, score_at_highest
        The score when every answer is lowest, and when every answer is highest; the score is linear
        between them in the mean of the answers.
    direction
        What a high score means.
    source
        Where the rule comes from.
    """

    name: str
    label: str
    items: int
    lowest: int
    highest: int
    most_missing: int
    score_at_lowest: float
    score_at_highest: float
    direction: Literal["high is good", "low is good"]
    source: str


_CATALOGUE = (
    Instrument(
        name="oxford_hip_score",
        label="Oxford Hip Score",
        items=12,
        lowest=0,
        highest=4,
        most_missing=2,
        score_at_lowest=0,
        score_at_highest=48,
        direction="high is good",
        source="Murray DW et al., J Bone Joint Surg Br 2007;89:1010-4 (missing rule from memory)",
    ),
)

INSTRUMENTS: dict[str, Instrument] = {instrument.name: instrument for instrument in _CATALOGUE}
