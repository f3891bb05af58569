"""What the keys of study.toml say of each other: ids once, windows in order, names that exist."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from cohortlib.errors import problem
from cohortlib.quantities import QUANTITIES
from cohortlib.study.examinations import EXAMINATIONS, examination_names
from cohortlib.study.names import alternatives, meant
from cohortlib.study.reading_rules import reading_problems
from cohortlib.study.toml_file import Lines, place
from cohortlib.tables.zones import ZONE_SYSTEMS

#: Key of the unit of a questionnaire's score: UCUM writes a count of points as an annotated one.
SCORE_UNIT = "{score}"
_ONCE = {
    "arms": ["arm"],
    "visits": ["visit_id"],
    "instruments": ["instrument"],
    "thresholds": ["threshold", "quantity"],
    "discrepancies": ["quantity"],
    "calibrations": ["from_scanner", "from_mode"],
}


def rule_problems(definition: dict[str, Any], lines: Lines) -> list[dict[str, Any]]:
    """Problems between keys; a section that is missing in `definition` was reported before."""
    problems = list(_repeated(definition, lines))
    if "arms" in definition and "comparator" in definition:
        problems += _unknown(
            definition["comparator"], definition["arms"]["arm"], place(lines, "", 0, "comparator")
        )
    problems += _windows(definition, lines)
    problems += _examinations(definition, lines)
    problems += _instruments(definition, lines)
    problems += _thresholds(definition, lines)
    problems += _endpoint(definition, lines)
    problems += reading_problems(definition, lines)
    problems += _bone_density(definition, lines)
    files = definition.get("files", {})
    if files and files["separator"] == files["decimal"]:
        remedy = 'Write separator = ";" where numbers have a decimal comma'
        at = place(lines, "files", 0, "decimal")
        problems.append(problem(**at, found=",", expected="another mark than the separator", remedy=remedy))
    return problems


def _unknown(name: str, known: pd.Series, at: dict[str, Any]) -> list[dict[str, Any]]:
    if name in set(known):
        return []
    remedy = f"Correct the name or add the entry{meant(name, known)}"
    return [problem(**at, found=name, expected=alternatives(known), remedy=remedy)]


def _repeated(definition: dict[str, Any], lines: Lines) -> Iterator[dict[str, Any]]:
    for section, keys in _ONCE.items():
        table = definition.get(section)
        if table is None:
            continue
        for row in table.index[table.duplicated(keys)]:
            found = ", ".join(table.loc[row, keys])
            at = place(lines, section, row, keys[0])
            yield problem(**at, found=found, expected="each entry once", remedy="Remove or rename the second")


def _windows(definition: dict[str, Any], lines: Lines) -> Iterator[dict[str, Any]]:
    for row in definition.get("visits", pd.DataFrame()).to_dict("index").items():
        number, visit = row
        days = [visit["earliest_days"], visit["due_days"], visit["latest_days"]]
        if days != sorted(days):
            found = f"{visit['visit_id']}: {days[0]}, {days[1]}, {days[2]}"
            expected = "earliest_days ≤ due_days ≤ latest_days"
            at = place(lines, "visits", int(number), "due_days")
            yield problem(**at, found=found, expected=expected, remedy="Correct the days")


def _examinations(definition: dict[str, Any], lines: Lines) -> Iterator[dict[str, Any]]:
    if "visits" not in definition or "instruments" not in definition:
        return
    names = definition["instruments"].get("instrument", pd.Series(dtype="str"))
    for number, name in enumerate(names):
        if name in EXAMINATIONS:
            at = place(lines, "instruments", number, "instrument")
            expected = f"another name than those of examinations: {alternatives(EXAMINATIONS)}"
            yield problem(**at, found=name, expected=expected, remedy="Rename the instrument")
    known = pd.Series(examination_names(names), dtype="str")
    for number, named in enumerate(definition["visits"]["examinations"]):
        for name in named or ():
            yield from _unknown(name, known, place(lines, "visits", number, "examinations"))


def _instruments(definition: dict[str, Any], lines: Lines) -> Iterator[dict[str, Any]]:
    for number, row in enumerate(definition.get("instruments", pd.DataFrame()).to_dict("records")):
        if row["lowest"] >= row["highest"]:
            found = f"{row['instrument']}: lowest {row['lowest']}, highest {row['highest']}"
            remedy = "Write the scores of one answer as the file codes them; say with direction what is good"
            at = place(lines, "instruments", number, "highest")
            yield problem(**at, found=found, expected="lowest < highest", remedy=remedy)


def _thresholds(definition: dict[str, Any], lines: Lines) -> Iterator[dict[str, Any]]:
    if "thresholds" not in definition or "instruments" not in definition:
        return
    units = {name: quantity.unit for name, quantity in QUANTITIES.items()}
    units |= dict.fromkeys(definition["instruments"]["instrument"], SCORE_UNIT)
    for number, row in enumerate(definition["thresholds"].to_dict("records")):
        name = row["quantity"]
        yield from _unknown(name, pd.Series(list(units)), place(lines, "thresholds", number, "quantity"))
        if name in units and row["unit"] != units[name]:
            at = place(lines, "thresholds", number, "unit")
            remedy = "Give the limits in the unit the quantity is measured in"
            yield problem(**at, found=row["unit"], expected=f"{units[name]!r} for {name}", remedy=remedy)
        if not (row["lower"] < row["upper"]) and pd.isna(row["lower"]) == pd.isna(row["upper"]):
            at = place(lines, "thresholds", number, "lower")
            found = f"lower {row['lower']}, upper {row['upper']}"
            remedy = "Give at least one limit, and the lower one first"
            yield problem(**at, found=found, expected="lower < upper, or one of them", remedy=remedy)


def _bone_density(definition: dict[str, Any], lines: Lines) -> Iterator[dict[str, Any]]:
    judged = definition.get("bone_density")
    if not judged:
        return
    if "baseline" in judged and "visits" in definition:
        visits, at = definition["visits"], place(lines, "bone_density", 0, "baseline")
        yield from _unknown(judged["baseline"], visits["visit_id"], at)
        early = visits.loc[visits["latest_days"] <= 0, "visit_id"]
        if judged["baseline"] in set(early):
            remedy = "Name the first visit after it: what the operation took away is no change of the bone"
            yield problem(
                **at, found=judged["baseline"], expected="a visit after the operation", remedy=remedy
            )
    at = place(lines, "bone_density", 0, "zones")
    if "zones" in judged and "zone_system" not in judged:
        remedy = f"Add zone_system, {alternatives(ZONE_SYSTEMS)}"
        yield problem(
            **at, found="zones alone", expected="also the zone_system they belong to", remedy=remedy
        )
    elif "zones" in judged:
        names = ZONE_SYSTEMS[judged["zone_system"]].names
        for zone in judged["zones"]:
            yield from _unknown(zone, pd.Series(names, dtype="str"), at)
    published = [key for key in ("published_precision", "published_source") if key in judged]
    if len(published) == 1:
        remedy = "Name both, or measure the study's own precision by scanning some hips twice"
        at = place(lines, "bone_density", 0, published[0])
        expected = "published_precision and published_source"
        yield problem(**at, found=f"{published[0]} alone", expected=expected, remedy=remedy)


def _endpoint(definition: dict[str, Any], lines: Lines) -> Iterator[dict[str, Any]]:
    endpoint = definition.get("endpoint")
    if not endpoint:
        return
    at = place(lines, "endpoint", 0, "")
    if ("instrument" in endpoint) == ("quantity" in endpoint):
        found = "both" if "instrument" in endpoint else "neither"
        remedy = "Name the one primary endpoint"
        yield problem(**at, found=found, expected="either instrument or quantity", remedy=remedy)
    known = {"quantity": pd.Series(list(QUANTITIES))}
    for key, section, column in (
        ("instrument", "instruments", "instrument"),
        ("visit_id", "visits", "visit_id"),
    ):
        if section in definition:
            known[key] = definition[section][column]
    for key, names in known.items():
        if key in endpoint:
            yield from _unknown(endpoint[key], names, place(lines, "endpoint", 0, key))
    if "margin" in endpoint and not (endpoint["margin"] > 0):
        at = place(lines, "endpoint", 0, "margin")
        remedy = "Give the size of the margin; the direction follows from the endpoint"
        yield problem(**at, found=endpoint["margin"], expected="a margin above 0", remedy=remedy)
    missing = [key for key in ("margin_rationale", "margin_fixed_on", "population") if key not in endpoint]
    if "margin" in endpoint and missing:
        remedy = "Write down why and when the margin was fixed, and for whose data"
        yield problem(**at, found="a margin alone", expected=f"also {', '.join(missing)}", remedy=remedy)
