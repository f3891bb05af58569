"""What two readers read differently, as a worklist for the third; what was read is not shown."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd

from cohortlib.commands.worklist import images_to_read
from cohortlib.errors import study_error
from cohortlib.pipeline.measuring import measured_once
from cohortlib.readings import (
    grade_discrepancies,
    grading_discrepancies,
    make_adjudication_list,
    measurement_discrepancies,
    open_readings,
)
from cohortlib.readings.store import Readings
from cohortlib.report.problems import counted
from cohortlib.study import read_study
from cohortlib.study.stored_readings import store_place
from cohortlib.tables import DICTIONARY, Study

_NEEDED = ("readers", "adjudicator", "seed")


def write_adjudication_list(folder: Path, *, who: str) -> int:
    """Set up a worklist of the images on which two readers lie further apart than study.toml allows.

    Two first readings of an image are compared in the quantities of [[discrepancies]], in the state of every
    zone, and in the grade of every part of a scale. What was measured for this is kept nowhere. An image that
    the third reader read or is to read does not come again.

    Raises
    ------
    StudyError
        If [readings] names no adjudicator, nothing can be compared, or there is nothing to decide.
    """
    study = read_study(folder, readings=False)
    how = study.readings
    missing = [name for name in _NEEDED if name not in how]
    if missing:
        raise study_error(
            file="study.toml",
            column="[readings]",
            found=f"no {', '.join(missing)}",
            expected=", ".join(_NEEDED),
            remedy="Lay down there who reads, and who decides where two differ",
        )
    with open_readings(store_place(folder, how), write=False) as store:
        compared = _compared(store, study)
    with open_readings(store_place(folder, how)) as store:
        written = [_write_list(store, study, table, task=task, who=who) for task, table in compared.items()]
    if not any(written):
        raise study_error(
            file="readings",
            found="no image that is read differently and not with the third reader already",
            expected="an image to be decided",
            remedy="Nothing is to be done",
        )
    return 0


def _write_list(store: Readings, study: Study, compared: pd.DataFrame, *, task: str, who: str) -> bool:
    """Whether there was anything to decide of what the task asks for."""
    how = study.readings
    discrepant = set(compared.loc[compared["discrepant"], "image_id"])
    new = discrepant - store.images_of([how["adjudicator"]], task=task)
    if not new:
        return False
    worklist = make_adjudication_list(
        compared[compared["image_id"].isin(new)],
        images_to_read(study, study.images[study.images["image_id"].isin(new)]),
        reader_id=how["adjudicator"],
        seed=how["seed"] + len(store.worklists()),
        task=task,
    )
    number = store.write_worklist(worklist, who=who, washout_days=0)
    of = counted(compared["image_id"].nunique(), "image")
    print(f"Worklist {number}: {len(new)} of {of} that two read, {task}, for {how['adjudicator']}.")
    return True


def _compared(store: Readings, study: Study) -> dict[str, pd.DataFrame]:
    """Task → every pair of first readings by the readers of the study, and whether they differ too much."""
    marks, gradings, grades = (
        table[table["reader_id"].isin(study.readings["readers"]) & (table["repeat"] == 1)]
        for table in (store.marks(), store.gradings(), store.grades())
    )
    tables = {}
    if len(marks) and len(study.discrepancies):
        twice = marks.groupby("image_id")["reader_id"].transform("nunique") > 1
        landmarks = marks.loc[twice, list(DICTIONARY["landmarks"])].reset_index(drop=True)
        measurements = measured_once(replace(study, tables={**study.tables, "landmarks": landmarks}))
        if len(measurements):
            tables["marks"] = measurement_discrepancies(measurements, limits=study.discrepancies)
    if len(gradings):
        tables["gradings"] = grading_discrepancies(gradings)
    if len(grades):
        tables["grades"] = grade_discrepancies(grades)
    tables = {task: table for task, table in tables.items() if len(table)}
    if not tables:
        raise study_error(
            file="readings",
            found="nothing that two readers read",
            expected="two readings of an image, and [[discrepancies]], gradings or grades",
            remedy="Read first, or lay down in study.toml which differences are too large",
        )
    return tables
