"""Everything that is wrong in a study folder, printed file by file, and as a page where one is wanted."""

from __future__ import annotations

import datetime
from pathlib import Path

from cohortlib.errors import sentence, study_error
from cohortlib.files import write_whole
from cohortlib.report.problems import TITLE, counted, problems_page
from cohortlib.study import check_study

#: How much of a file is read to see whether it is a page of an earlier check.
_HEAD_BYTES = 2000


def print_problems(folder: Path, *, images: bool, page: Path | None = None) -> int:
    """Print the problems of a study folder; 1 if there are any, else 0.

    Parameters
    ----------
    folder
        The study folder; nothing in it is changed.
    images
        Whether the image files must be there as well.
    page
        Where the same is written as a page; a page of an earlier check is replaced.

    Raises
    ------
    StudyError
        If the page cannot be written there; said before the check.
    """
    if page is not None:
        _check_place(page, folder)
    problems = check_study(folder, images=images)
    for file, rows in problems.groupby("file", sort=False):
        print(f"{file}: {counted(len(rows), 'problem')}")
        for row in rows.assign(file="").to_dict("records"):
            print("  " + sentence({str(name): value for name, value in row.items()}))
        print()
    if problems.empty:
        print(f"{folder}: nothing wrong found.")
    else:
        print(f"{counted(len(problems), 'problem')} in {counted(problems['file'].nunique(), 'file')}.")
    if page is not None:
        now = datetime.datetime.now(datetime.UTC)
        _write(page, problems_page(problems, study=folder.resolve().name, checked_at=now))
        print(f"The same as a page: {page}")
    return 0 if problems.empty else 1


def _check_place(page: Path, folder: Path) -> None:
    found, remedy = "", "Name another place for the page"
    try:
        tables = (folder / "tables").resolve()
        if page.suffix.lower() not in (".html", ".htm"):
            found, remedy = "no name of a page", "End the name with .html"
        elif page.resolve().is_relative_to(tables):
            found, remedy = "a place among the tables of the study", "Name a place outside tables/"
        elif not page.parent.is_dir():
            found, remedy = f"no folder {page.parent}", "Make the folder first, or name another"
        elif page.exists() and not _is_own(page):
            found = "another file of this name, which would be lost"
    except (OSError, RuntimeError, ValueError) as error:
        found = f"a place that cannot be used ({getattr(error, 'strerror', None) or error})"
    if found:
        raise study_error(file=page, found=found, expected="a place for a page, ending .html", remedy=remedy)


def _is_own(page: Path) -> bool:
    """Whether a file is a page of an earlier check."""
    if not page.is_file():
        return False
    with page.open("rb") as file:
        return f"<title>{TITLE} ".encode() in file.read(_HEAD_BYTES)


def _write(page: Path, content: str) -> None:
    try:
        write_whole(page, content)
    except OSError as error:
        raise study_error(
            file=page,
            found=f"a place that cannot be written to ({error.strerror})",
            expected="a place for a page",
            remedy="Name a folder in which you may write",
        ) from error
