"""What a recipe may hold: every value that cannot be, told at once."""

from __future__ import annotations

from typing import Any

from cohortlib.errors import StudyError, problem

Problem = dict[str, Any]


def not_among(name: str, value: object, allowed: tuple[str, ...]) -> Problem | None:
    """A problem if the value is none of the allowed words."""
    if value in allowed:
        return None
    return problem(column=name, found=value, expected=" or ".join(allowed), remedy="Correct the recipe")


def not_between(name: str, value: float, least: float, greatest: float) -> Problem | None:
    """A problem if the value does not lie from `least` to `greatest`; no number lies nowhere."""
    if least <= value <= greatest:
        return None
    return problem(
        column=name, found=value, expected=f"{least:g} to {greatest:g}", remedy="Correct the recipe"
    )


def refuse(*problems: Problem | None) -> None:
    """Raise a `StudyError` with all problems, if there are any."""
    found = [row for row in problems if row is not None]
    if found:
        raise StudyError(found)
