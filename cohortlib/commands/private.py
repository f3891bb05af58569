"""Everything that would identify a patient in what is about to be shared: a study folder or a repository."""

from __future__ import annotations

import posixpath
import tomllib
import zipfile
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.commands.private_notebooks import notebook_problems
from cohortlib.commands.private_tables import birth_years, is_table, patient_ids, table_problems
from cohortlib.commands.tracked import Content, is_repository, shared_files
from cohortlib.dicom.finding.walk import found_files
from cohortlib.dicom.identifiers import identifier_problems
from cohortlib.errors import problem, problem_table, sentence

_DEFINITION = "study.toml"
_MOST_MEMBERS = 10_000


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
    print(f"{len(problems)} findings in {problems['file'].nunique()} files.")
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
    Found are: DICOM files in a repository, in archives of files too; names, numbers and dates of birth in
    headers of a study's images; columns of tables that name or number a person, mail addresses, full
    dates in a patient's birth year; notebooks with images that are not known to be of an invented study,
    or with the state of their controls. Not found are a name within free text, and one that is burned
    into pixels.
    """
    in_repository = is_repository(place)
    studies = _studies(place)
    problems: list[dict[str, Any]] = []
    looked_at = (lambda _: True) if in_repository else (lambda path: is_table(path) or _is_notebook(path))
    for content in shared_files(place, looked_at):
        problems += _content_problems(place, content, studies, in_repository=in_repository)
    # Without a repository every image below the folder counts, else those that lie in a study.
    roots = [folder for folder in studies if _study_of(folder, studies) is None] if in_repository else [""]
    for root in roots:
        problems += _image_problems(place, root, studies)
    return problem_table(problems)


class _Study:
    """What is known of a study: whether it is invented, and its patients."""

    def __init__(self) -> None:
        self.synthetic = True
        self.patients: set[str] = set()
        self.born: dict[str, str] = {}


def _studies(place: Path) -> dict[str, _Study]:
    """Folder of each study → what is known of it; one version that is not invented decides."""
    studies: dict[str, _Study] = {}
    for path, data, _ in shared_files(place, lambda path: posixpath.basename(path) == _DEFINITION):
        study = studies.setdefault(posixpath.dirname(path), _Study())
        study.synthetic = study.synthetic and data is not None and _is_synthetic(data)
    for path, data, _ in shared_files(place, lambda path: path.endswith("tables/patients.csv")):
        known = studies.get(posixpath.dirname(posixpath.dirname(path)))
        if known is not None and data is not None:
            known.patients |= patient_ids(data)
            known.born |= birth_years(data)
    return studies


def _is_synthetic(definition: bytes) -> bool:
    try:
        return tomllib.loads(definition.decode("utf-8-sig")).get("synthetic") is True
    except (ValueError, RecursionError):
        return False


def _study_of(path: str, studies: Mapping[str, _Study]) -> str | None:
    """The folder of the study that a file lies in, or None."""
    folder = posixpath.dirname(path)
    while folder not in studies:
        if not folder:
            return None
        folder = posixpath.dirname(folder)
    return folder


def _content_problems(
    place: Path, content: Content, studies: Mapping[str, _Study], *, in_repository: bool
) -> list[dict[str, Any]]:
    path, data, version = content
    name = "".join(letter if letter.isprintable() else "?" for letter in path)
    name += " (not staged)" if version == "not staged" else ""
    if data is None:
        return [_unseen(name)]
    if in_repository and _holds_dicom(data):
        return [_committed(name)]
    if _is_notebook(path):
        return notebook_problems(
            data, name=name, path=path, invented=lambda at: _is_invented(place, at, studies)
        )
    if is_table(path):
        study = _study_of(path, studies)
        in_tables = study is not None and posixpath.dirname(path) == posixpath.join(study, "tables")
        born = studies[study].born if study is not None else {}
        return table_problems(data, name=name, in_study=in_tables, born=born)
    return []


def _image_problems(place: Path, root: str, studies: Mapping[str, _Study]) -> list[dict[str, Any]]:
    """Problems of the DICOM files that lie in a folder, whether git knows them or not."""
    problems = []
    for file in found_files(place / root):
        path = place / root / file.path
        if not file.problem and _is_dicom(path):
            name = posixpath.join(root, file.path)
            study = _study_of(name, studies)
            known = None if study is None else studies[study].patients
            problems += identifier_problems(path, name=name, patient_ids=known)
    return problems


def _is_notebook(path: str) -> bool:
    return path.lower().endswith(".ipynb")


def _is_invented(place: Path, path: str, studies: Mapping[str, _Study]) -> bool | None:
    """Whether the study at a path or around it is invented; None if there is none."""
    while True:
        folder = "" if path == "." else path
        if folder in studies:
            return studies[folder].synthetic
        try:
            return _is_synthetic((place / folder / _DEFINITION).read_bytes())
        except (OSError, ValueError):
            pass
        if path in (".", "..") or path.endswith("/.."):
            return None
        path = posixpath.dirname(path) or "."


def _is_dicom(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(132)[128:] == b"DICM"
    except OSError:
        return False


def _holds_dicom(data: bytes) -> bool:
    """Whether a file is DICOM, or an archive of files with one in it."""
    if data[128:132] == b"DICM":
        return True
    if not data.startswith(b"PK\x03\x04"):
        return False
    try:
        with zipfile.ZipFile(BytesIO(data)) as archive:
            for member in archive.infolist()[:_MOST_MEMBERS]:
                with archive.open(member) as file:
                    if file.read(132)[128:] == b"DICM":
                        return True
    except Exception:  # a damaged or locked archive, or one of an unknown kind
        return False
    return False


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
