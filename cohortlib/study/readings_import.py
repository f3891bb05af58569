"""Marks, gradings and grades of the tables into the store of readings, with the file that they come from."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd

from cohortlib.errors import StudyError, study_error
from cohortlib.readings import file_provenance, open_readings
from cohortlib.readings.store import Readings
from cohortlib.study.columns import plain_table
from cohortlib.study.definition import study_definition
from cohortlib.study.files import file_bytes
from cohortlib.study.folder import read_study
from cohortlib.study.sources.places import Place
from cohortlib.study.sources.reading import read_tables
from cohortlib.study.stored_readings import OWN_ID, store_place, unknown_rows
from cohortlib.tables import DICTIONARY

_IMPORTED_BY = {
    "landmarks": Readings.import_marks,
    "gradings": Readings.import_gradings,
    "grades": Readings.import_grades,
}
COLUMNS = ("table", "file", "n_rows", "n_new", "left_out")


def import_readings(folder: str | os.PathLike[str], *, who: str) -> pd.DataFrame:
    """What was taken in of a study's landmarks, gradings and grades; what the store has stays as it is.

    Parameters
    ----------
    folder
        The study folder. The store is made if there is none.
    who
        Who takes them in.

    Returns
    -------
    DataFrame
        table, file, n_rows (of the file), n_new (that were not in the store), left_out (columns of the
        study's own, which the store does not have).

    Raises
    ------
    StudyError
        If the study is wrong, or a reading is in the store already with other marks.
    """
    root = Path(folder)
    before = _origins(root, who)
    study = read_study(root, readings=False)
    origins = _origins(root, who)
    if origins != before:
        raise study_error(
            file="tables/",
            found="a table that changed while it was read",
            expected="tables that rest",
            remedy="Close the program that writes them, and import again",
        )
    done = []
    with _store(store_place(root, study.readings)) as store:
        for table in OWN_ID:
            rows = plain_table(study.tables[table])
            if rows.empty:
                continue
            new = rows[unknown_rows(rows, store.known(table), table)]
            if len(new):
                _IMPORTED_BY[table](store, new[list(DICTIONARY[table])], provenance=origins[table])
            own = [name for name in map(str, rows) if name not in DICTIONARY[table]]
            done.append((table, origins[table]["file"], len(rows), len(new), ", ".join(own)))
    if not done:
        raise study_error(
            file="tables/",
            found="no landmarks, no gradings and no grades",
            expected="landmarks.csv, gradings.csv or grades.csv",
            remedy="Put the file there",
        )
    return pd.DataFrame(done, columns=list(COLUMNS))


@contextmanager
def _store(place: str) -> Iterator[Readings]:
    """The store for writing; one that is made now takes its place only when all is well.

    An empty store beside the tables would close the study until something is imported.
    """
    path = Path(place)
    if "://" in place or os.path.lexists(path):
        with open_readings(place) as store:
            yield store
        return
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.unfinished")
    try:
        with open_readings(unfinished) as store:
            yield store
        os.link(unfinished, path)  # unlike a rename it never replaces what somebody else made meanwhile
    except OSError as error:
        raise study_error(
            file=path.name,
            found=f"a store that cannot be put there ({error.strerror})",
            expected="no such file yet, and a folder that may be written to",
            remedy="Import again",
        ) from error
    finally:
        for left in (unfinished, unfinished.with_name(f"{unfinished.name}-journal")):
            left.unlink(missing_ok=True)


def _origins(root: Path, who: str) -> dict[str, dict[str, str]]:
    """Table → the file that it comes from, its digest, and who takes it in; no table without rows."""
    data, problems = file_bytes(root, "study.toml")
    definition, more = study_definition(data or b"")
    if problems or more:
        raise StudyError(problems or more)
    read = read_tables(root, definition)
    workbook = str(definition["files"].get("workbook", ""))
    return {
        table: file_provenance(_file(root, read.places[table], workbook), who=who)
        for table in OWN_ID
        if len(read.tables[table])
    }


def _file(root: Path, place: Place, workbook: str) -> Path:
    files = {piece.file for piece in place.pieces}
    paths = {root / file if (root / file).is_file() else root / workbook for file in files}
    if len(paths) != 1:
        raise study_error(
            file=place.files,
            found=f"{len(paths)} files",
            expected="one file for a table that is imported",
            remedy="Import the files one after the other",
        )
    return paths.pop()
