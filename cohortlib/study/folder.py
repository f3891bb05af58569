"""The study folder: study.toml and tables/*.csv, read and checked as one."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.errors import StudyError, problem_table
from cohortlib.study.columns import empty_table, typed_table
from cohortlib.study.csv_file import text_table
from cohortlib.study.definition import study_definition
from cohortlib.study.files import file_bytes, file_list_problems, image_file_problems
from cohortlib.study.grouping import file_name
from cohortlib.study.linked import linked_problems
from cohortlib.study.timeline import visits_with_windows
from cohortlib.tables import DICTIONARY, Study

#: Tables without which there is no study; the others may come later.
REQUIRED_TABLES = ("patients", "hips", "visits")


def read_study(folder: str | os.PathLike[str]) -> Study:
    """The study in a folder: its definition and its tables, checked.

    Parameters
    ----------
    folder
        Holds `study.toml` and `tables/` with patients.csv, hips.csv, visits.csv, and as far as there
        are any images.csv, landmarks.csv, answers.csv. Nothing in it is changed.

    Returns
    -------
    Study
        Tables as in the data dictionary. A table without a file is empty and has its columns.
        `visits` has the columns `days` and `in_window` besides; a visit outside its window stays.

    Raises
    ------
    StudyError
        If anything is wrong, with every problem found; `check_study` gives them as a table.

    Example
    -------
    >>> study = read_study("synthetic_cohort")  # doctest: +SKIP
    >>> study.hips.groupby("arm").size()  # doctest: +SKIP
    """
    root = Path(folder)
    definition, tables, problems = _read(root)
    if problems:
        raise StudyError(problems)
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
    )


def check_study(folder: str | os.PathLike[str], *, images: bool = False) -> pd.DataFrame:
    """Every problem of a study folder; no rows if all is well.

    Parameters
    ----------
    folder
        As for `read_study`; nothing in it is changed.
    images
        Whether the files named in images.csv must be there already.

    Returns
    -------
    DataFrame
        file, line (as a spreadsheet shows it; the first, if there are several), column, found, count
        (rows), expected, remedy. The same value wrong in the same way is one row.
    """
    root = Path(folder)
    _, tables, problems = _read(root)
    if images and "images" in tables:
        problems = problems + image_file_problems(tables["images"], root)
    return problem_table(problems)


def _read(root: Path) -> tuple[dict[str, Any], dict[str, pd.DataFrame], list[dict[str, Any]]]:
    """Definition, tables (index = line) and problems; what could not be read is missing."""
    data, problems = file_bytes(root, "study.toml")
    if data is None:
        return {}, {}, problems
    definition, problems = study_definition(data)
    problems += file_list_problems(root, [f"{name}.csv" for name in DICTIONARY])
    if "files" not in definition or "spellings" not in definition:
        return definition, {}, problems  # how the tables are to be read is not known
    tables, broken = {}, {}
    for name in DICTIONARY:
        tables[name], found = _table(root, name, definition)
        broken[name] = {row["column"] for row in found}
        problems += found
    problems += linked_problems(tables, broken, definition)
    if not problems:
        tables["visits"] = visits_with_windows(tables["visits"], tables["hips"], definition["visits"])
    return definition, tables, problems


def _table(root: Path, name: str, definition: dict[str, Any]) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """One typed table, without rows if its file cannot be read or need not be there, and its problems."""
    file, columns, how = file_name(name), DICTIONARY[name], definition["files"]
    problems: list[dict[str, Any]] = []
    text = None
    if name in REQUIRED_TABLES or os.path.lexists(root / file):
        data, problems = file_bytes(root, file)
        if data is not None:
            text, problems = text_table(data, file=file, encoding=how["encoding"], separator=how["separator"])
    if text is None:
        return empty_table(columns), problems
    table, found = typed_table(
        text, columns, file=file, folder=root, decimal=how["decimal"], spellings=definition["spellings"]
    )
    return table, problems + found
