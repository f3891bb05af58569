"""What study.toml says of readings: an address that may stand there, readers, known quantities."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from cohortlib.errors import StudyError, problem
from cohortlib.quantities import QUANTITIES
from cohortlib.study.names import alternatives, meant
from cohortlib.study.toml_file import Lines, place


def reading_problems(definition: dict[str, Any], lines: Lines) -> Iterator[dict[str, Any]]:
    """Problems of [readings] and [[discrepancies]]; a section that is missing was reported before."""
    readings = definition.get("readings", {})
    if "url" in readings:
        yield from _address(readings["url"], place(lines, "readings", 0, "url"))
    if readings.get("adjudicator") in readings.get("readers", ()):
        at = place(lines, "readings", 0, "adjudicator")
        expected = "somebody who does not read first: a third reader sees an image unbiased"
        remedy = "Name another one, or take the name out of readers"
        yield problem(**at, found=readings["adjudicator"], expected=expected, remedy=remedy)
    for number, row in enumerate(definition.get("discrepancies", pd.DataFrame()).to_dict("records")):
        name, unit = row["quantity"], row["unit"]
        if name not in QUANTITIES:
            remedy = f"Correct the name{meant(name, QUANTITIES)}"
            at = place(lines, "discrepancies", number, "quantity")
            yield problem(**at, found=name, expected=alternatives(QUANTITIES), remedy=remedy)
        elif unit != QUANTITIES[name].unit:
            at = place(lines, "discrepancies", number, "unit")
            expected = f"{QUANTITIES[name].unit!r} for {name}"
            remedy = "Give the limit in the unit the quantity is measured in"
            yield problem(**at, found=unit, expected=expected, remedy=remedy)


def _address(url: str, at: dict[str, Any]) -> Iterator[dict[str, Any]]:
    from cohortlib.readings import check_study_address  # a study without a server does without databases

    try:
        check_study_address(url)
    except StudyError as error:
        for row in error.problems.to_dict("records"):
            told = {name: row[name] for name in ("found", "expected", "remedy")}
            yield problem(**at, **told)
