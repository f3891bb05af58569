"""Marks, gradings and grades of a study: from its store of readings where there is one, else from tables."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.study.columns import DTYPES, plain_table
from cohortlib.study.files import file_bytes
from cohortlib.study.grouping import file_name, shown
from cohortlib.study.sources.places import Piece, Place
from cohortlib.study.sources.reading import Tables
from cohortlib.tables import DICTIONARY

if TYPE_CHECKING:
    from cohortlib.readings.showing import Shown
    from cohortlib.readings.store import Readings

#: The store, where study.toml names no server.
STORE_FILE = "readings.sqlite"
#: Tables that a store holds, and the number of a row of them.
OWN_ID = {"landmarks": "mark_id", "gradings": "grading_id", "grades": "grade_id"}
_CORRECTED = (
    "in a store a row stays, and a new one supersedes or withdraws it "
    "(write_marks, write_gradings, write_grades)"
)


def with_stored_readings(
    root: Path, section: Mapping[str, Any], read: Tables
) -> tuple[Tables, dict[str, Any]]:
    """The tables of a study with the marks, gradings and grades of its store, and the state of the store.

    Parameters
    ----------
    root
        The study folder.
    section
        [readings] of study.toml.
    read
        From `read_tables`. Without a store it comes back as it is, and the state is `source` = "tables".

    Notes
    -----
    Grades of a store that holds none, and is asked for none, are those of the tables: it may have been locked
    before a store could keep them. `grades_source` of the state says which.
    """
    is_file = os.path.lexists(root / STORE_FILE)
    if not is_file and "url" not in section:
        return read, {"source": "tables"}
    name = STORE_FILE if is_file else "readings"
    try:
        found, elsewhere = _stored(root, section, read)
    except StudyError as error:
        told = [
            {str(key): value for key, value in row.items()} | {"file": name}
            for row in error.problems.to_dict("records")
        ]
        return read._replace(problems=[*read.problems, *told]), {"source": "tables"}
    tables, places, broken = dict(read.tables), dict(read.places), dict(read.broken)
    for table in _kept(found):
        own_id = OWN_ID[table]
        rows = found.tables[table]
        lines = rows[own_id].to_numpy(dtype="int64")
        tables[table] = _typed(rows, table)
        places[table] = Place(table, (Piece(f"{name}, {own_id}", {}, lines),), (0,))
        broken[table] = set()
    return Tables(tables, places, broken, [*read.problems, *elsewhere]), {
        "source": name,
        "grades_source": name if found.state.holds_grades else "tables",
        **found.state._asdict(),
    }


def with_remedies_of_the_store(problems: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Problems of rows of the store with what can be done there, where no row is deleted."""
    ends = tuple(f", {own_id}" for own_id in OWN_ID.values())
    return [
        {**row, "remedy": f"{row['remedy']}; {_CORRECTED}"} if row["file"].endswith(ends) else row
        for row in problems
    ]


def _stored(root: Path, section: Mapping[str, Any], read: Tables) -> tuple[Shown, list[dict[str, Any]]]:
    """What the store shows, and problems of tables with rows that it does not have."""
    from cohortlib.readings import open_readings  # databases only where there is a store

    with open_readings(store_place(root, section), write=False) as store:
        store.check()
        found = store.shown()
        elsewhere = [
            row for table in _kept(found) for row in _rows_elsewhere(root, table, read, store, found)
        ]
    return found, elsewhere


def _kept(found: Shown) -> list[str]:
    """The tables that come from the store."""
    return [table for table in OWN_ID if table != "grades" or found.state.holds_grades]


def store_place(root: Path, section: Mapping[str, Any]) -> str:
    """Where the store of a study is, or is to be: a file in the folder, or the server of study.toml.

    Raises
    ------
    StudyError
        If there are both, or nobody named the server at this computer.
    """
    if "url" not in section:
        return str(root / STORE_FILE)
    from cohortlib.readings import check_host_named

    if os.path.lexists(root / STORE_FILE):
        raise study_error(
            file=STORE_FILE,
            found="a file in the folder, and a server in study.toml",
            expected="one store of readings",
            remedy="Keep the one that counts: take url out of study.toml, or the file out of the folder",
        )
    check_host_named(section["url"])
    return str(section["url"])


def _rows_elsewhere(
    root: Path, table: str, read: Tables, store: Readings, found: Shown
) -> list[dict[str, Any]]:
    """A problem if a table of the folder has rows that the store does not have."""
    rows = read.tables[table]
    if rows.empty or read.broken[table]:
        return []
    files = read.places[table].files
    if files == file_name(table):
        data, _ = file_bytes(root, files)
        if data is not None and hashlib.sha256(data).hexdigest() in found.imported[table]:
            return []
    unknown = unknown_rows(plain_table(rows), store.known(table), table)
    if not unknown.any():
        return []  # written anew, with the same rows
    place = read.places[table]
    piece, row = place.find(int(unknown[unknown].index.to_numpy()[0]))
    command = f"python -m cohortlib readings {shown(root)} import --who NAME"
    return [
        problem(
            file=files,
            line=piece.line(row),
            found="rows that are not in the store of readings",
            count=int(unknown.sum()),
            expected="a store with every row of this table, or no such table",
            remedy=f"Take them in: {command}; or move the table out of the study",
        )
    ]


def unknown_rows(rows: pd.DataFrame, known: pd.DataFrame, table: str) -> pd.Series:
    """Which rows of a table are not among the known ones, all columns of the dictionary compared."""
    names = list(DICTIONARY[table])
    listed = known[names].drop_duplicates().astype({"repeat": "Int64"})
    both = rows[names].merge(listed, on=names, how="left", indicator="where")
    return pd.Series((both["where"] == "left_only").to_numpy(), index=rows.index)


def _typed(rows: pd.DataFrame, table: str) -> pd.DataFrame:
    """Rows of the store as the tables are while they are checked: texts as categories, the index the row."""
    dtypes: dict[str, Any] = {name: DTYPES[column.kind] for name, column in DICTIONARY[table].items()}
    columns = {}
    for name, dtype in dtypes.items():
        cells = pd.Series(rows[name].array, dtype=dtype)
        columns[name] = cells.astype("category") if dtype == "str" else cells
    return pd.DataFrame(columns, index=pd.RangeIndex(len(rows), name="line"))
