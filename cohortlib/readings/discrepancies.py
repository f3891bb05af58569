"""Where two readers of the same image disagree by more than the study allows."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import Any, NamedTuple

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.readings.argument_tables import check_once, checked_table
from cohortlib.readings.cells import ID, TEXT, number, one_of, whole_number
from cohortlib.tables import SIDES, ZONE_STATES
from cohortlib.tables.grading_scales import GRADING_SCALES

#: Columns of a table of compared readings; `part` is the hip, or the side that was graded.
COMPARED_COLUMNS = (
    "image_id",
    "part",
    "what",
    "zone",
    "first_reader",
    "second_reader",
    "first",
    "second",
    "difference",
    "limit",
    "unit",
    "discrepant",
    "reason",
)
_WHOSE = {"image_id": ID, "reader_id": ID, "repeat": whole_number(1, 99)}
_VALUE = number(-1e12, 1e12, "")
_MEASURED = {"hip_id": ID, "quantity": ID, "zone": TEXT, "value": _VALUE, "unit": TEXT, "method": TEXT}
_GRADED = {"side": one_of(SIDES), "zone_system": ID, "zone": ID, "state": one_of(ZONE_STATES)}
_SCALED = {"side": one_of(SIDES), "scale": one_of(tuple(GRADING_SCALES)), "part": TEXT, "grade": TEXT}
_LIMITS = {"quantity": ID, "limit": number(0, 1e12, ""), "unit": TEXT}


class _Place(NamedTuple):
    part: str
    zone: str
    method: str


#: What one reader said of an image: place → value or state, None for none.
_Said = dict[_Place, Any]


def measurement_discrepancies(measurements: pd.DataFrame, *, limits: pd.DataFrame) -> pd.DataFrame:
    """Every pair of first readings of a quantity by two readers, and whether they lie too far apart.

    Parameters
    ----------
    measurements
        Columns as in `tables.MEASUREMENT_COLUMNS`; hidden repeats (repeat > 1) are not compared.
    limits
        quantity, limit, unit: the greatest difference that is no discrepancy. A quantity that is not
        listed is not compared.

    Returns
    -------
    DataFrame
        One row a pair of readers, image, hip, quantity, zone and method: image_id, part (hip_id), what
        (quantity), zone, first_reader, second_reader, first, second, difference (second − first), limit,
        unit, discrepant, reason ("", "difference", "value by one reader only"). Two readers who both
        found no value do not disagree.

    Raises
    ------
    StudyError
        If a value is wrong, a unit is not the one of the limit, or a reading has two values.
    """
    allowed = {row["quantity"]: row for row in checked_table(limits, _LIMITS, file="limits")}
    check_once(limits["quantity"], file="limits", column="quantity")
    rows = checked_table(
        measurements,
        {**_WHOSE, **_MEASURED},
        file="measurements",
        may_be_empty=("zone", "value", "unit", "method"),
    )
    rows = [row for row in rows if row["repeat"] == 1 and row["quantity"] in allowed]
    for row in rows:
        unit = allowed[row["quantity"]]["unit"]
        if row["value"] is not None and row["unit"] != unit:
            raise study_error(
                file="measurements",
                column="unit",
                found=row["unit"] or "no unit",
                expected=f"{unit!r} for {row['quantity']}, as its limit has it",
                remedy="Give the limit in the unit of the quantity",
            )

    def compared(what: str, first: float | None, second: float | None) -> dict[str, Any]:
        limit, unit = allowed[what]["limit"], allowed[what]["unit"]
        both = first is not None and second is not None
        difference = second - first if first is not None and second is not None else math.nan
        reason = "difference" if abs(difference) > limit else ""
        if not both and (first is not None or second is not None):
            reason = "value by one reader only"
        return {"difference": difference, "limit": limit, "unit": unit, "reason": reason}

    said = _said(rows, part="hip_id", what="quantity", value="value", file="measurements")
    return _compared(said, compared).astype({"first": "float64", "second": "float64"})


def grading_discrepancies(gradings: pd.DataFrame) -> pd.DataFrame:
    """Every pair of first gradings of a zone by two readers, and whether the states differ.

    Parameters
    ----------
    gradings
        As the table `gradings` of a study, or `Readings.gradings()`; hidden repeats are not compared.

    Returns
    -------
    DataFrame
        Columns as `measurement_discrepancies`: part is the side, what the zone system, first and second
        are states; difference, limit and unit are empty. "not assessable" differs from every other state.
        reason: "", "state", "graded by one reader only" (both graded other zones of the system).

    Raises
    ------
    StudyError
        If a value is wrong or a zone is graded twice in one reading.
    """
    rows = checked_table(gradings, {**_WHOSE, **_GRADED}, file="gradings")
    rows = [row for row in rows if row["repeat"] == 1]
    said = _said(rows, part="side", what="zone_system", value="state", file="gradings")
    return _compared(said, _alike("state"))


def grade_discrepancies(grades: pd.DataFrame) -> pd.DataFrame:
    """Every pair of first grades of a part of a scale by two readers, and whether they differ.

    Parameters
    ----------
    grades
        As the table `grades` of a study, or `Readings.grades()`; hidden repeats are not compared.

    Returns
    -------
    DataFrame
        Columns as `measurement_discrepancies`: part is the side, what the scale, zone the part of the scale,
        first and second are grades; difference, limit and unit are empty. "not assessable" differs from every
        other grade. reason: "", "grade", "graded by one reader only" (both graded other parts of the scale).

    Raises
    ------
    StudyError
        If a value is wrong or a part is graded twice in one reading.
    """
    rows = [row for row in checked_table(grades, {**_WHOSE, **_SCALED}, file="grades") if row["repeat"] == 1]
    for row in rows:
        row["zone"] = row["part"]
    return _compared(_said(rows, part="side", what="scale", value="grade", file="grades"), _alike("grade"))


def _alike(reason: str) -> Callable[[str, Any, Any], dict[str, Any]]:
    """Two words of readers compared; `reason` where they differ."""

    def compared(_what: str, first: str | None, second: str | None) -> dict[str, Any]:
        told = reason if first != second else ""
        if first is None or second is None:
            told = "graded by one reader only"
        return {"difference": math.nan, "limit": math.nan, "unit": "", "reason": told}

    return compared


def _said(
    rows: list[dict[str, Any]], *, part: str, what: str, value: str, file: str
) -> dict[tuple[str, str], dict[str, _Said]]:
    """(image, what) → reader → what the reader said."""
    said: dict[tuple[str, str], dict[str, _Said]] = {}
    keys = []
    for row in rows:
        place = _Place(row[part], row["zone"] or "", row.get("method") or "")
        reader = said.setdefault((row["image_id"], row[what]), {}).setdefault(row["reader_id"], {})
        reader[place] = row[value]
        keys.append((row["image_id"], row["reader_id"], row[what], *place))
    check_once(keys, file=file, column=f"image_id, reader_id, {what}")
    return said


def _compared(
    said: dict[tuple[str, str], dict[str, _Said]], judge: Callable[[str, Any, Any], dict[str, Any]]
) -> pd.DataFrame:
    found = []
    for (image_id, what), readers in sorted(said.items()):
        for one, other in itertools.combinations(sorted(readers), 2):
            for place in sorted({*readers[one], *readers[other]}):
                first, second = readers[one].get(place), readers[other].get(place)
                who = {"image_id": image_id, "part": place.part, "what": what, "zone": place.zone}
                pair = {"first_reader": one, "second_reader": other, "first": first, "second": second}
                judged = judge(what, first, second)
                found.append({**who, **pair, **judged, "discrepant": judged["reason"] != ""})
    table = pd.DataFrame(found, columns=list(COMPARED_COLUMNS))
    return table.astype({"discrepant": "bool", "difference": "float64", "limit": "float64"})
