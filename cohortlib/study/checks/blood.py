"""Metals in the blood: results below a limit, matrices that do not mix, and values of another unit."""

from __future__ import annotations

from typing import Any

import pandas as pd

from cohortlib.study.checks.coded import joined, texts, words
from cohortlib.study.grouping import file_name, grouped_problems
from cohortlib.tables.laboratory import MOLAR_MASSES_G_PER_MOL

#: Above this no result is believed without a look at the report. Common practice, no source: reports of
#: failed implants reach hundreds of ug/L.
GREATEST_UG_PER_L = 1000.0
#: Matrices of one analyte that are never put together; urine is another question.
_OF_BLOOD = ("whole blood", "serum", "plasma")


def blood_problems(blood: pd.DataFrame) -> list[dict[str, Any]]:
    """Problems within the table of blood results.

    Parameters
    ----------
    blood
        Typed table, index = line.
    """
    if blood.empty:
        return []
    return _limits(blood) + _sizes(blood) + _matrices(blood)


def _limits(blood: pd.DataFrame) -> list[dict[str, Any]]:
    below, above = (blood["below_limit"] == "yes"), (blood["below_limit"] == "no")
    value, limit = blood["value"], blood["limit"]
    who = words(blood, ["patient_id", "analyte"])
    problems: list[dict[str, Any]] = []
    for wrong, column, expected, remedy in (
        (
            below & limit.isna(),
            "limit",
            "the limit, for a result below it",
            "Ask the laboratory for its limit",
        ),
        (
            below & value.notna(),
            "value",
            "an empty cell for a result below the limit",
            "Leave the value empty: neither the limit nor half of it was measured",
        ),
        (
            above & value.isna(),
            "value",
            "a value, unless below_limit is yes",
            "Fill in the cell, or delete the row",
        ),
        (
            above & (value < limit),
            "value",
            "a value from the limit on, unless below_limit is yes",
            "Correct the value or the limit, or write yes in below_limit and leave the value empty",
        ),
    ):
        problems += grouped_problems(
            who[wrong], file=file_name("blood"), column=column, expected=expected, remedy=remedy
        )
    return problems


def _sizes(blood: pd.DataFrame) -> list[dict[str, Any]]:
    problems: list[dict[str, Any]] = []
    mass = texts(blood["analyte"]).map(MOLAR_MASSES_G_PER_MOL)
    in_ug = blood["value"].where(blood["unit"] != "nmol/L", blood["value"] * mass / 1000)
    rows = blood[in_ug > GREATEST_UG_PER_L]
    for unit, part in rows.groupby(texts(rows["unit"])):
        factor = mass[part.index] / 1000 if unit == "nmol/L" else pd.Series(1.0, index=part.index)
        greatest = GREATEST_UG_PER_L / factor
        problems += grouped_problems(
            joined(part["value"], f" {unit} ", part["analyte"]),
            file=file_name("blood"),
            column="value",
            expected=joined("at most ", greatest.round(), f" {unit}"),
            remedy=pd.Series(
                [
                    _remedy(value, str(unit), size)
                    for value, size in zip(part["value"], mass[part.index], strict=True)
                ],
                index=part.index,
                dtype="str",
            ),
        )
    return problems


def _remedy(value: float, unit: str, mass_g_per_mol: float) -> str:
    """The unit in which the number would make sense."""
    if unit == "nmol/L":
        return (
            f"{value:.10g} pmol/L are {value / 1000:.4g} nmol/L: look at the unit on the laboratory's report"
        )
    in_ug = value * mass_g_per_mol / 1000
    other = f", and {value:.10g} nmol/L are {in_ug:.4g} ug/L" if in_ug <= GREATEST_UG_PER_L else ""
    return (
        f"{value:.10g} ng/L are {value / 1000:.4g} ug/L{other}: look at the unit on the laboratory's report"
    )


def _matrices(blood: pd.DataFrame) -> list[dict[str, Any]]:
    rows = blood[blood["matrix"].isin(_OF_BLOOD)].dropna(subset=["patient_id", "analyte"])
    who = words(rows, ["patient_id", "analyte"])
    matrix = texts(rows["matrix"])
    first = matrix.groupby(who).transform("first")
    return grouped_problems(
        joined(who, ": ", matrix)[matrix != first],
        file=file_name("blood"),
        column="matrix",
        expected=joined(
            "one matrix for an analyte of a patient (", first[matrix != first], " in an earlier row)"
        ),
        remedy="Correct the matrix; whole blood and serum are never put together, so leave out the ones "
        "that cannot be compared",
    )
