"""What is to be marked and graded on a film, in which order, and what comes next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from cohortlib.errors import StudyError, problem
from cohortlib.measure.marked_hip import OF_THE_MIDDLE
from cohortlib.tables import LANDMARKS, OF_BOTH_SIDES, ZONE_SYSTEMS

#: Most marks of one landmark on one side that a plan may ask for.
_MOST = 99
#: The bone is named by where its zones are; "cup zone 1" is said, not "cup_3 1".
ZONE_WORDS = {
    "cup_3": "cup zone",
    "stem_7": "stem zone",
    "resurfacing_stem_3": "stem zone",
    "neck_1": "neck",
    "neck_2": "neck zone",
    "neck_6": "neck zone",
}


class MarkStep(NamedTuple):
    """A landmark of a side, and how many marks of it are asked for."""

    side: str
    landmark: str
    asked: int

    @property
    def words(self) -> str:
        """Such as "right head edge"; a landmark of the middle has no side."""
        name = self.landmark.replace("_", " ")
        return name if self.landmark in OF_THE_MIDDLE else f"{self.side} {name}"

    @property
    def heading(self) -> str:
        """Of all landmarks of a side."""
        return f"{self.side} side: marks"


class ZoneStep(NamedTuple):
    """A zone of a side that is to be graded."""

    side: str
    zone_system: str
    zone: str

    @property
    def words(self) -> str:
        """Such as "right cup zone 1"."""
        return f"{self.side} {ZONE_WORDS.get(self.zone_system, self.zone_system)} {self.zone}"

    @property
    def heading(self) -> str:
        """Of the zones of one system and side, such as "right cup zones"."""
        name = ZONE_WORDS.get(self.zone_system, self.zone_system)
        return f"{self.side} {name}s" if name.endswith("zone") else f"{self.side} {name}"


Step = MarkStep | ZoneStep


def plan_steps(plan: Mapping[str, int], zone_systems: Sequence[str], *, sides: str) -> list[Step]:
    """The steps of one film: a side's landmarks in the order of the plan, then its zones; right, then left.

    Parameters
    ----------
    plan
        Landmark → how many marks of it on each side; of a landmark of the middle, on the film.
    zone_systems
        Zone systems to be graded on each side.
    sides
        "right", "left" or "both". On a film that hangs as usual, the right side is met first. Of a side that
        is not read, the landmarks of `OF_BOTH_SIDES` are asked for all the same.

    Raises
    ------
    StudyError
        With every landmark, number and zone system that is not known.
    """
    _check(plan, zone_systems)
    steps: list[Step] = []
    for side in ("right", "left"):
        if sides not in (side, "both"):
            steps += [
                MarkStep(side, name, int(asked)) for name, asked in plan.items() if name in OF_BOTH_SIDES
            ]
        else:
            there = {step.landmark for step in steps if isinstance(step, MarkStep)}
            steps += [
                MarkStep(side, landmark, int(asked))
                for landmark, asked in plan.items()
                if not (landmark in OF_THE_MIDDLE and landmark in there)
            ]
            steps += [
                ZoneStep(side, system, zone) for system in zone_systems for zone in ZONE_SYSTEMS[system].names
            ]
    return steps


def next_step(steps: Sequence[Step], done: Mapping[tuple[str, ...], int], chosen: int | None) -> int | None:
    """The place of the step that is asked for now: the chosen one, else the first that is not complete."""
    if chosen is not None:
        return chosen
    return next((place for place, step in enumerate(steps) if missing(step, done)), None)


def missing(step: Step, done: Mapping[tuple[str, ...], int]) -> int:
    """How many marks or grades a step still asks for."""
    asked = step.asked if isinstance(step, MarkStep) else 1
    return max(0, asked - done.get(key_of(step), 0))


def key_of(step: Step) -> tuple[str, ...]:
    """What the marks of a step, or the grade of it, have in common."""
    if isinstance(step, MarkStep):
        return (step.side, step.landmark)
    return tuple(step)


def missing_words(steps: Iterable[Step], done: Mapping[tuple[str, ...], int]) -> list[str]:
    """What is still asked for, in words, such as "3 of right head edge"."""
    words = []
    for step in steps:
        number = missing(step, done)
        if number:
            words.append(
                f"{number} of {step.words}" if isinstance(step, MarkStep) and step.asked > 1 else step.words
            )
    return words


def _check(plan: Mapping[str, int], zone_systems: Sequence[str]) -> None:
    problems = []
    for landmark, asked in plan.items():
        if landmark not in LANDMARKS:
            problems.append(_unknown("plan", landmark, LANDMARKS))
        if isinstance(asked, bool) or not isinstance(asked, int) or not 1 <= asked <= _MOST:
            expected = f"a whole number from 1 to {_MOST}"
            problems.append(
                problem(column=f"plan, {landmark}", found=str(asked), expected=expected, remedy="Correct it")
            )
    listed = [zone_systems] if isinstance(zone_systems, str) else zone_systems
    problems += [_unknown("zone_systems", name, ZONE_SYSTEMS) for name in listed if name not in ZONE_SYSTEMS]
    if isinstance(zone_systems, str) and not problems:
        problems.append(
            problem(
                column="zone_systems",
                found=zone_systems,
                expected="a list of zone systems",
                remedy=f'Write ["{zone_systems}"]',
            )
        )
    if problems:
        raise StudyError(problems)


def _unknown(column: str, found: object, known: Iterable[str]) -> dict:
    expected = "one of " + ", ".join(known)
    return problem(column=column, found=str(found), expected=expected, remedy="Name one of these")
