"""The study folder: study.toml and the tables it names, read and checked as one."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.errors import StudyError, problem_table
from cohortlib.study.checks.linked import linked_problems
from cohortlib.study.columns import plain_table
from cohortlib.study.definition import study_definition
from cohortlib.study.files import file_bytes, file_list_problems, image_file_problems
from cohortlib.study.sources.places import told_problems
from cohortlib.study.sources.reading import read_tables
from cohortlib.study.sources.source_files import source_names
from cohortlib.study.stored_readings import with_remedies_of_the_store, with_stored_readings
from cohortlib.study.timeline import visits_with_windows
from cohortlib.tables import Study


def read_study(folder: str | os.PathLike[str], *, readings: bool = True) -> Study:
    """The study in a folder: its definition and its tables, checked.

    Parameters
    ----------
    folder
        Holds `study.toml` and `tables/` with patients.csv, hips.csv, visits.csv, and as far as there
        are any the other tables of the data dictionary; or a workbook with a sheet each, or forms in
        wide form, as study.toml says. Nothing in it is changed.
    readings
        False leaves the store of readings alone: marks, gradings and grades are then those of the tables.

    Returns
    -------
    Study
        Tables as in the data dictionary. A table without a file is empty and has its columns.
        `visits` has the columns `days` and `in_window` besides; a visit outside its window stays.
        `readings_state` says where marks, gradings and grades come from.

    Raises
    ------
    StudyError
        If anything is wrong, with every problem found; `check_study` gives them as a table.

    Notes
    -----
    Where there is a store of readings (`readings.sqlite` in the folder, or [readings] url in study.toml),
    `landmarks`, `gradings` and `grades` are its rows that stand, by repeat, reader and time; what was
    superseded or withdrawn is history. A landmarks.csv, gradings.csv or grades.csv beside it must be in the
    store with every row. Without a store the tables are taken as they are, and so is grades.csv beside a
    store that holds no grades and is asked for none.

    Readings that a worklist asks for are hidden until the store is locked and unblinded, so that nobody who
    still reads sees what was read, or that an image was read twice; `readings_state` counts them. A server
    is asked only if the environment names its host (COHORTLIB_READINGS_PASSWORD).

    Example
    -------
    >>> study = read_study("synthetic_cohort")  # doctest: +SKIP
    >>> study.hips.groupby("arm").size()  # doctest: +SKIP
    """
    root = Path(folder)
    definition, tables, state, problems = _read(root, readings=readings)
    if problems:
        raise StudyError(problems)
    tables = {name: plain_table(table) for name, table in tables.items()}
    tables["visits"] = visits_with_windows(tables["visits"], tables["hips"], definition["visits"])
    return Study(
        folder=root,
        title=definition["title"],
        comparator=definition["comparator"],
        arms=definition["arms"],
        schedule=definition["visits"],
        instruments=definition["instruments"],
        thresholds=definition["thresholds"],
        endpoint=definition["endpoint"],
        data_cut=definition["data_cut"],
        synthetic=definition["synthetic"],
        tables={name: table.reset_index(drop=True) for name, table in tables.items()},
        readings=definition["readings"],
        discrepancies=definition["discrepancies"],
        readings_state=state,
        bone_density=definition["bone_density"],
        calibrations=definition["calibrations"],
    )


def check_study(
    folder: str | os.PathLike[str], *, images: bool = False, readings: bool = True
) -> pd.DataFrame:
    """Every problem of a study folder; no rows if all is well.

    Parameters
    ----------
    folder
        As for `read_study`; nothing in it is changed.
    images
        Whether the files named in images.csv must be there already.
    readings
        False leaves the store of readings alone.

    Returns
    -------
    DataFrame
        file, line (as a spreadsheet shows it; the first, if there are several), column, found, count
        (rows), expected, remedy. The same value wrong in the same way is one row.
    """
    root = Path(folder)
    _, tables, _, problems = _read(root, readings=readings)
    if images and "images" in tables:
        problems = problems + image_file_problems(tables["images"], root)
    return problem_table(problems)


def _read(
    root: Path, *, readings: bool
) -> tuple[dict[str, Any], dict[str, pd.DataFrame], dict[str, Any], list[dict[str, Any]]]:
    """Definition, typed tables (index = line, texts as categories), state of the readings, problems.

    What could not be read is missing.
    """
    state: dict[str, Any] = {"source": "tables"}
    data, problems = file_bytes(root, "study.toml")
    if data is None:
        return {}, {}, state, problems
    definition, problems = study_definition(data)
    if any(section not in definition for section in ("files", "wide", "columns", "sheets", "spellings")):
        return definition, {}, state, problems  # how the tables are to be read is not known
    problems += file_list_problems(root, [f"{name}.csv" for name in source_names(definition)])
    read = read_tables(root, definition)
    if readings and "readings" in definition:
        read, state = with_stored_readings(root, definition["readings"], read)
    problems += read.problems
    told = told_problems(linked_problems(read.tables, read.broken, definition, read.places), read.places)
    problems += with_remedies_of_the_store(told)
    return definition, read.tables, state, problems
