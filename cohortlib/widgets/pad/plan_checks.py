"""What a plan of reading may ask for: known landmarks, numbers that can be done, known zones and scales."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from cohortlib.errors import StudyError, problem
from cohortlib.tables import LANDMARKS, ZONE_SYSTEMS
from cohortlib.tables.grading_scales import GRADING_SCALES

#: Most marks of one landmark on one side that a plan may ask for.
_MOST = 99


def check_plan(plan: Mapping[str, int], zone_systems: Sequence[str], scales: Sequence[str]) -> None:
    """Refuse a plan that cannot be followed.

    Raises
    ------
    StudyError
        With every landmark, number, zone system and scale that is not known.
    """
    problems = []
    for landmark, asked in plan.items():
        if landmark not in LANDMARKS:
            problems.append(_unknown("plan", landmark, LANDMARKS))
        if isinstance(asked, bool) or not isinstance(asked, int) or not 1 <= asked <= _MOST:
            expected = f"a whole number from 1 to {_MOST}"
            problems.append(
                problem(column=f"plan, {landmark}", found=str(asked), expected=expected, remedy="Correct it")
            )
    problems += _list_problems("zone_systems", zone_systems, ZONE_SYSTEMS, what="zone systems")
    problems += _list_problems("scales", scales, GRADING_SCALES, what="scales")
    if problems:
        raise StudyError(problems)


def _list_problems(column: str, names: Sequence[str], known: Iterable[str], *, what: str) -> list[dict]:
    listed = [names] if isinstance(names, str) else list(names)
    problems = [_unknown(column, name, known) for name in listed if name not in known]
    if isinstance(names, str) and not problems:
        remedy = f'Write ["{names}"]'
        problems.append(problem(column=column, found=names, expected=f"a list of {what}", remedy=remedy))
    twice = [name for place, name in enumerate(listed) if name in listed[:place]]
    if twice:
        problems.append(
            problem(column=column, found=str(twice[0]), expected="each one once", remedy="Remove the second")
        )
    return problems


def _unknown(column: str, found: object, known: Iterable[str]) -> dict:
    expected = "one of " + ", ".join(known)
    return problem(column=column, found=str(found), expected=expected, remedy="Name one of these")
