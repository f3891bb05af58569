"""Keys that must be there once, and ids that must exist where they point to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from cohortlib.study.grouping import file_name, grouped_problems
from cohortlib.study.names import alternatives, meant
from cohortlib.tables import DICTIONARY, KEYS

#: What must be there once besides the keys of the dictionary: a patient has one hip a side.
_ALSO_ONCE = {"hips": ("patient_id", "side")}
_SINGLE_WORDS = {"patients": "patient", "images": "image"}


def key_problems(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """Rows whose key another row above has.

    Parameters
    ----------
    tables
        Typed tables, index = line, wrong cells missing.
    """
    problems = []
    for name, table in tables.items():
        for keys in filter(None, (KEYS.get(name), _ALSO_ONCE.get(name))):
            whole = table[list(keys)].dropna()
            if not whole.duplicated().any():
                continue
            repeated = whole[whole.duplicated(keep=False)]
            key = repeated[keys[0]].astype("str")
            for other in keys[1:]:
                key = key + ", " + repeated[other].astype("str")
            first = pd.Series(key.index, index=key).groupby(level=0).first()
            again = key[key.duplicated()]
            where = again.map(first).astype("str")
            problems += grouped_problems(
                again,
                file=file_name(name),
                column=", ".join(keys),
                expected=f"each {' with '.join(keys)} once",
                remedy="Delete the row or correct it (the same stands in line " + where + ")",
            )
    return problems


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
            if column.refers not in known:
                continue
            ids, cells = known[column.refers], table[column.column]
            wrong = cells[cells.notna() & ~cells.isin(ids)]
            if column.refers in DICTIONARY:
                word = _SINGLE_WORDS[column.refers]
                expected = f"a {word} of {file_name(column.refers)}"
                problems += grouped_problems(
                    wrong,
                    file=file_name(name),
                    column=column.column,
                    expected=expected,
                    remedy=f"Correct the id or add the {word} to {file_name(column.refers)}",
                )
            else:
                section = {"schedule": "visits"}.get(column.refers, column.refers)
                problems += grouped_problems(
                    wrong,
                    file=file_name(name),
                    column=column.column,
                    expected=f"one of [[{section}]] in study.toml: {alternatives(ids)}",
                    remedy=lambda found, ids=ids, section=section: (  # type: ignore[misc]
                        f"Correct the id or add it to study.toml [[{section}]]{meant(found, ids)}"
                    ),
                )
    return problems


def visit_row_problems(
    tables: Mapping[str, pd.DataFrame], known: Mapping[str, pd.Series]
) -> list[dict[str, Any]]:
    """Images and answers of a visit that no row of visits.csv tells the date of.

    Parameters
    ----------
    tables, known
        As for `reference_problems`, which reports ids that do not exist at all.
    """
    pair = ["patient_id", "visit_id"]
    visits = tables["visits"][pair].dropna().drop_duplicates()
    problems = []
    for name in ("images", "answers"):
        rows = tables[name][pair].dropna().reset_index()
        for column, target in zip(pair, ("patients", "schedule"), strict=True):
            if target in known and len(rows):
                rows = rows[rows[column].isin(known[target])]
        if rows.empty:
            continue
        # Whole tables of answers have few distinct visits; only those are looked up.
        distinct = rows.groupby(pair, sort=False)["line"].agg(["min", "size"]).reset_index()
        alone = distinct.merge(visits, on=pair, how="left", indicator=True)
        alone = alone[alone["_merge"] == "left_only"]
        # Each line of the visit counts, so the rows are found again.
        lines = rows.merge(alone[pair], on=pair).set_index("line")
        problems += grouped_problems(
            lines["patient_id"].str.cat(lines["visit_id"], sep=", "),
            file=file_name(name),
            column="patient_id, visit_id",
            expected=f"a visit of {file_name('visits')}",
            remedy=f"Add the visit with its date to {file_name('visits')}, or correct the ids",
        )
    return problems


def mark_problems(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """Marks on an implant of a side without a study hip; teardrops belong to every pelvis."""
    marks = tables["landmarks"].reset_index()
    if marks.empty:
        return []
    marks = marks[marks["landmark"].notna() & (marks["landmark"] != "teardrop")].dropna(subset="side")
    marks = marks.merge(tables["images"][["image_id", "patient_id"]].dropna(), on="image_id")
    hips = tables["hips"][["patient_id", "side"]].dropna().drop_duplicates()
    alone = marks.merge(hips, on=["patient_id", "side"], how="left", indicator=True)
    alone = alone[alone["_merge"] == "left_only"].set_index("line")
    patients = alone["patient_id"].astype("str")
    return grouped_problems(
        alone["side"],
        file=file_name("landmarks"),
        column="side",
        expected="a side with a hip in " + file_name("hips") + " (" + patients + ")",
        remedy="Correct the side or the image; only the teardrop is marked on a side without a study hip",
    )
