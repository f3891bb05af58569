"""All checks between tables, each only where both ends could be read.

An id is not called unknown because the table it points to has a broken line: that line is reported,
and the link is checked when it is mended.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from cohortlib.study.checks.answers import coding_problems, direction_problems
from cohortlib.study.checks.blood import blood_problems
from cohortlib.study.checks.events import death_problems, event_problems
from cohortlib.study.checks.images import file_problems, image_problems, mark_problems, reading_day_problems
from cohortlib.study.checks.keys import key_problems
from cohortlib.study.checks.references import reference_problems, visit_row_problems
from cohortlib.study.checks.rows import row_problems
from cohortlib.study.checks.timeline import cut_problems, day_problems, order_problems, surgery_problems
from cohortlib.study.sources.places import Place
from cohortlib.study.timeline import visits_with_windows

#: Sections of study.toml and the key of an entry.
_SECTIONS = {"visits": "visit_id", "arms": "arm", "instruments": "instrument"}
#: Tables that others point to, and their key.
_TARGETS = {"patients": "patient_id", "hips": "hip_id", "images": "image_id", "gait_trials": "trial_id"}


def linked_problems(
    tables: Mapping[str, pd.DataFrame],
    broken: Mapping[str, set[str]],
    definition: Mapping[str, Any],
    places: Mapping[str, Place],
) -> list[dict[str, Any]]:
    """Problems between tables, and between tables and study.toml.

    Parameters
    ----------
    tables
        Typed tables, index = line, texts as categories, wrong cells missing.
    broken
        Table → its columns with a problem; "" stands for lines or a file that could not be read.
    definition
        From `study_definition`; sections with a problem are missing.
    places
        Where the rows of each table stand.
    """

    def whole(table: str, *columns: str) -> bool:
        return not broken[table] & {"", *columns}

    # Entries written twice were reported; the first goes on.
    defined = {
        section: definition[section].drop_duplicates(key)
        for section, key in _SECTIONS.items()
        if section in definition
    }
    known = {
        {"visits": "schedule"}.get(section, section): table[_SECTIONS[section]]
        for section, table in defined.items()
    }
    known |= {table: tables[table][key] for table, key in _TARGETS.items() if whole(table, key)}

    problems = key_problems(tables, places) + reference_problems(tables, known)
    problems += row_problems(tables) + cut_problems(tables, definition["data_cut"])
    problems += blood_problems(tables["blood"]) + file_problems(tables["images"], places["images"])
    problems += event_problems(tables)
    if whole("visits", "patient_id", "visit_id"):
        problems += visit_row_problems(tables, known) + reading_day_problems(tables)
    if whole("hips", "patient_id", "side"):
        problems += mark_problems(tables) + image_problems(tables)
    if whole("events", "patient_id", "event", "date"):
        problems += death_problems(tables)
    if "instruments" in defined:
        problems += coding_problems(tables["answers"], defined["instruments"])
    if "visits" not in defined:
        return problems
    schedule = defined["visits"]
    problems += order_problems(tables["visits"], schedule)
    if whole("hips", "patient_id", "surgery_date"):
        problems += surgery_problems(tables, schedule)
        problems += day_problems(tables, schedule)
        if "instruments" in defined:
            visits = visits_with_windows(tables["visits"], tables["hips"], schedule)
            problems += direction_problems(tables["answers"], defined["instruments"], visits, schedule)
    return problems
