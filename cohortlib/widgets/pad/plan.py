"""What is to be marked and graded on a film, in which order, and what comes next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from cohortlib.measure.marked_hip import OF_THE_MIDDLE
from cohortlib.readings.tasks import TASKS, Content
from cohortlib.tables import OF_BOTH_SIDES, ZONE_SYSTEMS
from cohortlib.tables.grading_scales import GRADING_SCALES, WHOLE
from cohortlib.widgets.pad.plan_checks import check_plan

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


class ScaleStep(NamedTuple):
    """A part of a scale that a hip is to be graded by."""

    side: str
    scale: str
    part: str

    @property
    def words(self) -> str:
        """Such as "right hip: pedestal"; of a scale without parts what it is about."""
        return f"{self.side} hip: {GRADING_SCALES[self.scale].what if self.part == WHOLE else self.part}"

    @property
    def heading(self) -> str:
        """Of all parts of a scale and side, such as "right hip: how still a stem stands"."""
        return f"{self.side} hip: {GRADING_SCALES[self.scale].what}"


Step = MarkStep | ZoneStep | ScaleStep
_CONTENT: dict[type, Content] = {MarkStep: "marks", ZoneStep: "gradings", ScaleStep: "grades"}


def plan_steps(
    plan: Mapping[str, int], zone_systems: Sequence[str], scales: Sequence[str] = (), *, sides: str
) -> list[Step]:
    """The steps of one film: a side's landmarks in the order of the plan, its zones, its scales; right first.

    Parameters
    ----------
    plan
        Landmark → how many marks of it on each side; of a landmark of the middle, on the film.
    zone_systems
        Zone systems to be graded on each side.
    scales
        Scales by which the hip of each side is to be graded.
    sides
        "right", "left" or "both". On a film that hangs as usual, the right side is met first. Of a side that
        is not read, the landmarks of `OF_BOTH_SIDES` are asked for all the same.

    Raises
    ------
    StudyError
        With every landmark, number, zone system and scale that is not known.
    """
    check_plan(plan, zone_systems, scales)
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
            steps += [
                ScaleStep(side, scale, part) for scale in scales for part in GRADING_SCALES[scale].parts
            ]
    return steps


def asked_steps(steps: Iterable[Step], *, task: str) -> list[Step]:
    """The steps that an item asks for: one that asks for grades alone has no marks to be set."""
    return [step for step in steps if _CONTENT[type(step)] in TASKS[task]]


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
