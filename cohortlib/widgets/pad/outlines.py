"""Zones as outlines on a film: a table of corners, made from the film and its marks."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.image import Radiograph
from cohortlib.tables import SIDES, ZONE_SYSTEMS

OUTLINE_COLUMNS = ("side", "zone_system", "zone", "x_px", "y_px")
#: (film, marks that stand) → corners, `OUTLINE_COLUMNS`; no rows while the marks do not suffice.
ZonesOf = Callable[[Radiograph, pd.DataFrame], pd.DataFrame]


def zone_outlines(
    zones_of: ZonesOf | None, radiograph: Radiograph | None, marks: pd.DataFrame
) -> pd.DataFrame:
    """The corners of the zones on a film, checked; no rows without a film or a function that gives them.

    Raises
    ------
    StudyError
        If what the function gives is no table of corners.
    """
    nothing = pd.DataFrame({name: pd.Series(dtype=object) for name in OUTLINE_COLUMNS})
    if zones_of is None or radiograph is None:
        return nothing
    try:
        table = zones_of(radiograph, marks[["landmark", "side", "x_px", "y_px"]])
    except StudyError:
        return nothing  # the marks do not suffice yet; the zones can be graded without outlines
    _check(table)
    return table[list(OUTLINE_COLUMNS)].reset_index(drop=True)


def _check(table: pd.DataFrame) -> None:
    absent = [name for name in OUTLINE_COLUMNS if name not in table]
    if absent:
        raise study_error(
            file="zones",
            column=", ".join(absent),
            found="no such column",
            expected="the columns " + ", ".join(OUTLINE_COLUMNS),
            remedy="Give one row a corner",
        )
    problems = []
    for column, known in (("side", SIDES), ("zone_system", ZONE_SYSTEMS)):
        wrong = table[~table[column].isin(list(known))]
        if len(wrong):
            problems.append(
                _problem(column, str(wrong[column].iloc[0]), len(wrong), "one of " + ", ".join(known))
            )
    for column in ("x_px", "y_px"):
        numbers = pd.to_numeric(table[column], errors="coerce")
        wrong = table[~numbers.between(-1e6, 1e6)]
        if len(wrong):
            problems.append(_problem(column, str(wrong[column].iloc[0]), len(wrong), "a number of pixels"))
    if problems:
        raise StudyError(problems)


def _problem(column: str, found: str, count: int, expected: str) -> dict:
    return problem(
        file="zones", column=column, found=found, count=count, expected=expected, remedy="Correct the corners"
    )
