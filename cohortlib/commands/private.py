"""Everything that would identify a patient in what is about to be shared: a study folder or a repository."""

from __future__ import annotations

import posixpath
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.commands.listing import printable
from cohortlib.commands.private_bytes import HEAD_BYTES, head_is_dicom, holds_dicom, is_key
from cohortlib.commands.private_notebooks import notebook_problems
from cohortlib.commands.private_studies import KnownStudy, is_invented, known_studies, study_of
from cohortlib.commands.private_tables import is_table, table_problems
from cohortlib.commands.private_workbooks import is_workbook, workbook_problems
from cohortlib.commands.tracked import Content, is_repository, shared_files
from cohortlib.dicom.finding.walk import found_files
from cohortlib.dicom.identifiers import identifier_problems
from cohortlib.errors import problem, problem_table, sentence
from cohortlib.report.problems import counted


def print_private(place: Path) -> int:
    """Print what would identify a patient; 1 if there is anything, else 0."""
    problems = privacy_problems(place)
    for file, rows in problems.groupby("file", sort=False):
        print(f"{file}")
        for row in rows.assign(file="").to_dict("records"):
            print(f"  {sentence(row)}")  # type: ignore[arg-type]
        print()
    if problems.empty:
        print(f"{place}: nothing found that identifies a patient.")
        return 0
    of = counted(problems["file"].nunique(), "file")
    print(f"{counted(len(problems), 'finding')} in {of}.")
    return 1


def privacy_problems(place: Path) -> pd.DataFrame:
    """What would identify a patient, as a table of problems; no rows if nothing was found.

    Parameters
    ----------
    place
        A study folder, or a repository, or a folder in one. In a repository what git has staged is
        looked at, and what lies there unstaged or untracked, but not what git is told to ignore; of the
        studies in it the headers of their images are looked at all the same.

    Returns
    -------
    DataFrame
        file, line, column, found, count, expected, remedy. No value that identifies is repeated.

    Raises
    ------
    StudyError
        If there is no such folder, or git does not open its repository.

    Notes
    -----
    Found are: DICOM files in a repository, in archives of files too; the key; names, numbers and dates of
    birth in headers of a study's images; columns of tables and workbooks that name or number a person, mail
    addresses, full dates in a patient's birth year; notebooks with images that are not known to be of an
    invented study, or with the state of their controls. Not found are a name within free text, and one that
    is burned into pixels.
    """
    in_repository = is_repository(place)
    studies = known_studies(place)
    problems: list[dict[str, Any]] = []
    looked_at = (lambda _: True) if in_repository else _is_looked_into
    for content in shared_files(place, looked_at):
        problems += _content_problems(place, content, studies, in_repository=in_repository)
    # Without a repository every image below the folder counts, else those that lie in a study.
    roots = [folder for folder in studies if study_of(folder, studies) is None] if in_repository else [""]
    for root in roots:
        problems += _image_problems(place, root, studies)
    return problem_table(problems)


def _content_problems(
    place: Path, content: Content, studies: Mapping[str, KnownStudy], *, in_repository: bool
) -> list[dict[str, Any]]:
    path, data, version = content
    name = printable(path)
    name += " (not staged)" if version == "not staged" else ""
    if data is None:
        return [_unseen(name)]
    if is_key(data):
        return [_key(name)]
    if in_repository and holds_dicom(data):
        return [_committed(name)]
    if _is_notebook(path):
        return notebook_problems(
            data, name=name, path=path, invented=lambda at: is_invented(place, at, studies)
        )
    study = study_of(path, studies)
    born = studies[study].born if study is not None else {}
    if is_table(path):
        in_tables = study is not None and posixpath.dirname(path) == posixpath.join(study, "tables")
        return table_problems(data, name=name, in_study=in_tables, born=born)
    if is_workbook(path):
        return workbook_problems(data, name=name, in_study=study is not None, born=born)
    return []


def _image_problems(place: Path, root: str, studies: Mapping[str, KnownStudy]) -> list[dict[str, Any]]:
    """Problems of the DICOM files that lie in a folder, whether git knows them or not."""
    problems = []
    for file in found_files(place / root):
        path = place / root / file.path
        if not file.problem and head_is_dicom(_head(path)):
            name = posixpath.join(root, file.path)
            study = study_of(name, studies)
            known = None if study is None else studies[study].patients
            problems += identifier_problems(path, name=name, patient_ids=known)
    return problems


def _is_notebook(path: str) -> bool:
    return path.lower().endswith(".ipynb")


def _is_looked_into(path: str) -> bool:
    """Whether a file outside a repository is read: tables, notebooks, and what may be a key."""
    return is_table(path) or is_workbook(path) or _is_notebook(path) or path.lower().endswith(".json")


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(HEAD_BYTES)
    except OSError:
        return b""


def _key(name: str) -> dict[str, Any]:
    return problem(
        file=name, found="the key that leads back to the patients", expected="no key in what is shared",
        remedy="Move it to a folder of your own; if it was shared already, tell who answers for the data",
    )  # fmt: skip


def _committed(name: str) -> dict[str, Any]:
    return problem(
        file=name, found="a DICOM file in a repository", expected="images outside of version control",
        remedy="Take it out (git rm --cached), out of every earlier commit too, and list it in .gitignore",
    )  # fmt: skip


def _unseen(name: str) -> dict[str, Any]:
    return problem(
        file=name, found="a file that is too large to be looked into, or cannot be read",
        expected="files that can be checked", remedy="Keep it out of what is shared, or make it readable",
    )  # fmt: skip
