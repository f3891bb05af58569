"""Ids that must exist where they point to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.study.checks.coded import distinct_codes, row_codes, texts, words
from cohortlib.study.grouping import file_name, grouped_problems
from cohortlib.study.names import alternatives, meant
from cohortlib.tables import DICTIONARY

_SINGLE_WORDS = {"patients": "patient", "hips": "hip", "images": "image", "gait_trials": "trial"}
#: Tables of what happens at a visit, and the column that says whose it is.
_AT_VISITS = {
    "images": "patient_id",
    "answers": "patient_id",
    "blood": "patient_id",
    "densitometry": "hip_id",
    "gait_trials": "patient_id",
    "ct_doses": "patient_id",
}


def reference_problems(
    tables: Mapping[str, pd.DataFrame], known: Mapping[str, pd.Series]
) -> list[dict[str, Any]]:
    """Ids that are not where they point to.

    Parameters
    ----------
    tables
        Typed tables, index = line.
    known
        Name of a target (a table, or a section of study.toml as `Column.refers` calls it) → its ids.
        A target that could not be read whole is missing, and nothing is said of ids pointing to it.
    """
    problems = []
    for name, table in tables.items():
        for column in DICTIONARY[name].values():
            if column.refers in known and len(table):
                ids = known[column.refers]
                wrong = _unknown(table[column.column], ids)
                if len(wrong):
                    problems += _told(wrong, ids, name, column.column, column.refers)
    return problems


def _unknown(cells: pd.Series, ids: pd.Series) -> pd.Series:
    strange = ~cells.cat.categories.isin(texts(ids))
    return cells[np.append(strange, False)[cells.cat.codes]] if strange.any() else cells.iloc[:0]


def _told(wrong: pd.Series, ids: pd.Series, table: str, column: str, target: str) -> list[dict[str, Any]]:
    if target in DICTIONARY:
        word = _SINGLE_WORDS[target]
        return grouped_problems(
            wrong,
            file=file_name(table),
            column=column,
            expected=f"a {word} of {file_name(target)}",
            remedy=f"Correct the id or add the {word} to {file_name(target)}",
        )
    section = {"schedule": "visits"}.get(target, target)
    return grouped_problems(
        wrong,
        file=file_name(table),
        column=column,
        expected=f"one of [[{section}]] in study.toml: {alternatives(ids)}",
        remedy=lambda found: f"Correct the id or add it to study.toml [[{section}]]{meant(found, ids)}",
    )


def visit_row_problems(
    tables: Mapping[str, pd.DataFrame], known: Mapping[str, pd.Series]
) -> list[dict[str, Any]]:
    """What happened at a visit that no row of visits.csv tells the date of.

    Parameters
    ----------
    tables, known
        As for `reference_problems`, which reports ids that do not exist at all.
    """
    visits = tables["visits"][["patient_id", "visit_id"]].dropna()
    hips = tables["hips"].dropna(subset=["hip_id", "patient_id"]).drop_duplicates("hip_id")
    patient_of = hips.set_index(texts(hips["hip_id"]))["patient_id"].pipe(texts)
    problems = []
    for name, whose in _AT_VISITS.items():
        table = tables[name]
        targets = ["schedule", "patients" if whose == "patient_id" else "hips"]
        if len(table) == 0 or not all(target in known for target in targets):
            continue
        wrong = _without_visit(table, whose, visits, patient_of, known)
        problems += grouped_problems(
            wrong,
            file=file_name(name),
            column=f"{whose}, visit_id",
            expected=f"a visit of {file_name('visits')}",
            remedy=f"Add the visit with its date to {file_name('visits')}, or correct the ids",
        )
    return problems


def _without_visit(
    table: pd.DataFrame,
    whose: str,
    visits: pd.DataFrame,
    patient_of: pd.Series,
    known: Mapping[str, pd.Series],
) -> pd.Series:
    """Who and visit of each row without a visit."""
    # Whole tables of answers have few distinct visits; only those are looked up.
    codes, size = row_codes(table, [whose, "visit_id"])
    seen = distinct_codes(codes, size)
    owners, ids = table[whose].cat.categories, table["visit_id"].cat.categories
    owner, visit = seen // max(len(ids), 1), seen % max(len(ids), 1)
    patients = owners if whose == "patient_id" else pd.Index(patient_of.reindex(owners))
    target = "patients" if whose == "patient_id" else "hips"
    exists = (owners.isin(texts(known[target])) & patients.notna())[owner]
    exists &= ids.isin(texts(known["schedule"]))[visit]
    # The same visit as a number, here and in the table of visits.
    count = max(len(visits["visit_id"].cat.categories), 1)
    at = visits["patient_id"].cat.categories.get_indexer(patients)[owner]
    when = visits["visit_id"].cat.categories.get_indexer(ids)[visit]
    took_place, _ = row_codes(visits, ["patient_id", "visit_id"])
    came = (at >= 0) & (when >= 0) & np.isin(at * count + when, took_place)
    wrong = table[np.isin(codes, seen[exists & ~came])] if (exists & ~came).any() else table.iloc[:0]
    return words(wrong, [whose, "visit_id"])
