"""Scales that readers grade a hip by on a film: their parts, the grades of each, and what a grade counts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

#: Name of the only part of a scale that has no parts.
WHOLE = "whole"
#: A grade of every part: the film does not show it. It counts nothing, and is not the same as absent.
NOT_ASSESSABLE = "not assessable"


class GradingScale(NamedTuple):
    """One scale: what is graded, part → grade → what it counts, the grades in words, who described it."""

    what: str
    parts: Mapping[str, Mapping[str, float]]
    words: Mapping[str, str]
    source: str


def _ranks(words: Mapping[str, str]) -> dict[str, dict[str, float]]:
    return {WHOLE: {grade: float(grade) for grade in words}}


def _sign(good: str, points: float, bad: str, penalty: float, unsure: str = "uncertain") -> dict[str, float]:
    return {good: points, unsure: 0.0, bad: -penalty}


_OSSIFICATION = {
    "0": "no bone beside the hip",
    "1": "islands of bone in the soft tissue",
    "2": "spurs from pelvis or femur, at least 10 mm apart",
    "3": "spurs from pelvis or femur, less than 10 mm apart",
    "4": "bridged, as far as the film tells",
}
_DEMARCATION = {
    "0": "no line",
    "1": "line in the outer third",
    "2": "line in the outer and middle third",
    "3": "line all the way round",
    "4": "the cup has migrated",
}
_ENGH = "from memory: Engh CA et al., Clin Orthop Relat Res 1990;257:107-28"

GRADING_SCALES = {
    "ossification": GradingScale(
        "bone beside the hip joint",
        _ranks(_OSSIFICATION),
        _OSSIFICATION,
        "from memory: Brooker AF et al., J Bone Joint Surg Am 1973;55:1629-32",
    ),
    "cup_demarcation": GradingScale(
        "lucent line about a cup",
        _ranks(_DEMARCATION),
        _DEMARCATION,
        "from memory: Hodgkinson JP et al., Clin Orthop Relat Res 1988;228:105-9",
    ),
    "stem_fixation": GradingScale(
        "how bone holds the porous part of a stem",
        {
            "lines at the porous part": _sign("absent", 5.0, "present", 5.0),
            "bridges of bone": _sign("present", 5.0, "absent", 2.5),
        },
        {},
        _ENGH,
    ),
    "stem_stability": GradingScale(
        "how still a stem stands",
        {
            "lines at the smooth part": _sign("absent", 5.0, "present", 5.0),
            "pedestal": _sign("absent", 2.5, "present", 3.5),
            "calcar": _sign("atrophied", 3.0, "hypertrophied", 4.0),
            "deterioration of the interface": _sign("absent", 2.5, "present", 2.5),
            "migration": _sign("absent", 3.0, "present", 5.0),
            "shed particles": _sign("absent", 1.0, "present", 5.0),
        },
        {},
        _ENGH,
    ),
}


def grades_of(scale: str, part: str) -> tuple[str, ...]:
    """The grades that a part of a scale may have; none for a part that it does not have."""
    known = GRADING_SCALES[scale].parts.get(part, {})
    return (*known, NOT_ASSESSABLE) if known else ()
