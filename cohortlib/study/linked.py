"""All checks between tables, each only where both ends could be read.

An id is not called unknown because the table it points to has a broken line: that line is reported,
and the link is checked when it is mended.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from cohortlib.study.answer_checks import coding_problems, direction_problems
from cohortlib.study.links import key_problems, mark_problems, reference_problems, visit_row_problems
from cohortlib.study.timeline import (
    cut_problems,
    order_problems,
    surgery_problems,
    visits_with_windows,
)


def linked_problems(
    tables: Mapping[str, pd.DataFrame], broken: Mapping[str, set[str]], definition: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """Problems between tables, and between tables and study.toml.

    Parameters
    ----------
    tables
        Typed tables, index = line, wrong cells missing.
    broken
        Table → its columns with a problem; "" stands for lines or a file that could not be read.
    definition
        From `study_definition`; sections with a problem are missing.
    """

    def whole(table: str, *columns: str) -> bool:
        return not broken[table] & {"", *columns}

    # Entries written twice were reported; the first goes on.
    sections = {"visits": "visit_id", "arms": "arm", "instruments": "instrument"}
    defined = {
        section: definition[section].drop_duplicates(key)
        for section, key in sections.items()
        if section in definition
    }
    known = {
        {"visits": "schedule"}.get(section, section): table[sections[section]]
        for section, table in defined.items()
    }
    for table, key in (("patients", "patient_id"), ("images", "image_id")):
        if whole(table, key):
            known[table] = tables[table][key]

    problems = key_problems(tables) + reference_problems(tables, known)
    problems += cut_problems(tables, definition["data_cut"])
    if whole("visits", "patient_id", "visit_id"):
        problems += visit_row_problems(tables, known)
    if whole("hips", "patient_id", "side"):
        problems += mark_problems(tables)
    if "instruments" in defined:
        problems += coding_problems(tables["answers"], defined["instruments"])
    if "visits" not in defined:
        return problems
    schedule = defined["visits"]
    problems += order_problems(tables["visits"], schedule)
    if whole("hips", "patient_id", "surgery_date"):
        problems += surgery_problems(tables, schedule)
        if "instruments" in defined:
            visits = visits_with_windows(tables["visits"], tables["hips"], schedule)
            problems += direction_problems(tables["answers"], defined["instruments"], visits, schedule)
    return problems
