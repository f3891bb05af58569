"""A study's tables with every date moved as the images' are: the same days for everything of a patient."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.dicom.deidentification.tables import moved_dates
from cohortlib.errors import StudyError, problem
from cohortlib.files import make_folder, place_below, write_whole
from cohortlib.report.problems import counted
from cohortlib.study import read_study
from cohortlib.tables import DICTIONARY, Study
from cohortlib.tables.spreadsheet import spreadsheet_csv

#: A study.toml with these reads other files than those that are written here.
_OF_FILES = ("files", "wide", "columns", "sheets", "spellings")
_LIKE_A_DATE = re.compile(r".*(\b\d{4}-\d{1,2}-\d{1,2}|\b\d{1,2}[./]\d{1,2}[./]\d{2,4}\b).*", re.DOTALL)
#: Middle of a year: a year of birth is moved as this day of it.
_MIDDLE = "-07-01"


def write_moved_study(source: Path, folder: Path, *, key: Path) -> int:
    """Write the tables of a study into another folder, with dates and years of birth moved.

    Parameters
    ----------
    source
        The study with the hospital's dates, sound as `check` says; nothing in it is changed.
    folder
        The study to be written: `tables/`, and study.toml if there is none and that of `source` can be
        taken as it is. A table that is there already is never replaced by another one.
    key
        The key file, which must know every patient; in neither of the two folders.

    Raises
    ------
    StudyError
        If the study has problems, a text looks like a date and so would give the days away, a patient is
        not in the key, or another table is there.

    Notes
    -----
    What readers did (`marked_at`) is no date of a patient, and stays. `data_cut` in study.toml is one day
    for all; against moved dates it says nothing, so completeness is counted in `source`.
    """
    study = read_study(source)
    tables = {name: table for name, table in study.tables.items() if len(table)}
    problems = [row for name, table in tables.items() for row in _date_like_texts(name, table)]
    contents = {}
    if not problems:
        for name, table in tables.items():
            moved = _moved(name, table, study, key=key, folder=folder)
            contents[f"tables/{name}.csv"] = spreadsheet_csv(moved).encode()
        if not (folder / "study.toml").exists():
            contents |= _definition(source)
        problems = [_other(path) for path, data in contents.items() if _is_other(folder / path, data)]
    if problems:
        raise StudyError(problems)
    make_folder(folder)
    for path, data in contents.items():
        write_whole(place_below(folder, path), data)
    print(f"{folder}: {counted(len(tables), 'table')} with moved dates.")
    if not (folder / "study.toml").exists():
        print("study.toml names files of its own: copy it by hand, without " + ", ".join(_OF_FILES) + ".")
    if study.data_cut is not None:
        print(f"data_cut in study.toml is no day of the moved dates: count completeness in {source}.")
    return 0


def _moved(name: str, table: pd.DataFrame, study: Study, *, key: Path, folder: Path) -> pd.DataFrame:
    """The columns of the dictionary and the study's own, with dates as they are written in a table."""
    new = table[_written_columns(name, table)].copy()
    patient = _patients(table, study)
    for column, row in DICTIONARY[name].items():
        if row.kind == "date" and column in new:
            moved = moved_dates(new[column], patient, key=key, study_folder=folder)
            new[column] = moved.dt.strftime("%Y-%m-%d")
        elif row.kind == "datetime" and column in new:
            new[column] = new[column].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    if "birth_year" in new:
        middle = pd.to_datetime(new["birth_year"].astype("str") + _MIDDLE)
        new["birth_year"] = moved_dates(middle, patient, key=key, study_folder=folder).dt.year
    return new


def _written_columns(name: str, table: pd.DataFrame) -> list[str]:
    own = [column for column in map(str, table) if column.startswith("x_")]
    return [column for column in (*DICTIONARY[name], *own) if column in table]


def _patients(table: pd.DataFrame, study: Study) -> pd.Series:
    """Whose each row is."""
    if "patient_id" in table:
        return table["patient_id"].astype("str")
    for column, owners in (("hip_id", study.hips), ("image_id", study.images)):
        if column in table:
            owner = owners.set_index(owners[column].astype("str"))["patient_id"].astype("str")
            return table[column].astype("str").map(owner)
    return pd.Series("", index=table.index, dtype="str")


def _date_like_texts(name: str, table: pd.DataFrame) -> list[dict[str, Any]]:
    problems = []
    for column in _written_columns(name, table):
        if column in DICTIONARY[name] and DICTIONARY[name][column].kind != "text":
            continue
        texts = table[column].dropna().astype("str")
        count = int(texts.str.fullmatch(_LIKE_A_DATE).sum())
        if count:
            problems.append(
                problem(
                    file=f"tables/{name}.csv", column=column, found="a text with a date in it", count=count,
                    expected="dates in columns of dates only, where they are moved",
                    remedy="Take the dates out of the texts, or the column out of the table",
                )
            )  # fmt: skip
    return problems


def _definition(source: Path) -> dict[str, bytes]:
    data = (source / "study.toml").read_bytes()
    sections = tomllib.loads(data.decode("utf-8-sig"))
    return {} if any(sections.get(name) for name in _OF_FILES) else {"study.toml": data}


def _is_other(path: Path, data: bytes) -> bool:
    return path.exists() and (not path.is_file() or path.read_bytes() != data)


def _other(path: str) -> dict[str, Any]:
    return problem(
        file=path, found="another table at this place", expected="the same table, or none",
        remedy="Look at it and move it away, then start again",
    )  # fmt: skip
