"""Values checked by their rule: one argument, or a column with every wrong cell of it."""

from __future__ import annotations

from typing import Any

from cohortlib.errors import problem, study_error
from cohortlib.readings.cells import Rule, Wrong, is_missing
from cohortlib.readings.refusals import shown

#: Distinct wrong values of a column that are spelt out; the rest is counted.
_MOST_SHOWN = 20


def _found(value: object) -> object:
    """The value for a message: numbers as they are, everything else as text that is safe to show."""
    if is_missing(value):
        return "no value"
    if isinstance(value, bool | int | float) and abs(value) < 1e20:
        return value
    return shown(value)


def checked(value: object, rule: Rule, *, name: str) -> Any:
    """The value of an argument.

    Raises
    ------
    StudyError
        If it is missing or not what the rule says.
    """
    try:
        if is_missing(value):
            raise Wrong
        return rule.value(value)
    except Wrong:
        raise study_error(
            column=name, found=_found(value), expected=rule.expected, remedy=rule.remedy
        ) from None


def column_values(
    cells: list[Any], rule: Rule, *, file: str, name: str, required: bool
) -> tuple[list[Any], list[dict[str, Any]]]:
    """The values of a column, and one problem for each distinct wrong cell; the first row is line 2."""
    values: list[Any] = []
    wrong: dict[str, dict[str, Any]] = {}
    for line, cell in enumerate(cells, start=2):
        try:
            if is_missing(cell):
                if required:
                    raise Wrong
                value = None
            else:
                value = rule.value(cell)
        except Wrong:
            value = None
            found, key = _found(cell), repr(_found(cell))
            if key not in wrong and len(wrong) >= _MOST_SHOWN:
                found = key = "other values"
            if key not in wrong:
                expected, remedy = rule.expected, rule.remedy
                wrong[key] = problem(
                    file=file, line=line, column=name, found=found, expected=expected, remedy=remedy, count=0
                )
            wrong[key]["count"] += 1
        values.append(value)
    return values, list(wrong.values())
