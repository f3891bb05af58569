"""write_empty_study: a folder in which a study can begin, written whole or not at all."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import pandas as pd

from cohortlib.errors import StudyError, study_error
from cohortlib.files import write_whole
from cohortlib.study.blank.definition import blank_definition
from cohortlib.study.blank.descriptor import descriptor
from cohortlib.study.blank.dictionary_page import dictionary_page
from cohortlib.study.blank.dictionary_table import dictionary_table
from cohortlib.tables import DICTIONARY
from cohortlib.tables.spreadsheet import spreadsheet_csv, study_csv

DEFINITION = "study.toml"
_LONGEST_TITLE = 200


def write_empty_study(folder: str | os.PathLike[str], *, title: str = "") -> None:
    """Write a folder to begin a study with: study.toml to fill in, empty tables, the data dictionary.

    Parameters
    ----------
    folder
        A new folder, or one without anything in it; the folder around it must be there.
    title
        Title of the study, in one line; without it, it is one of the blanks of study.toml.

    Raises
    ------
    StudyError
        If there is something in the folder, it cannot be written, or the title does not fit in a line.
        Nothing is then left behind.

    Notes
    -----
    Written are study.toml, where every key is explained and what only the study can choose is blank;
    tables/NAME.csv with its headings for each table of the dictionary; and the dictionary as
    dictionary.html (to read), dictionary.csv (for a spreadsheet) and datapackage.json (for programs).
    `check_study` lists the blanks until they are filled in, and nothing else.

    The files are written beside the folder and appear in it at once. Into a folder that is there already they
    are moved one by one, study.toml last, and moved out again if one of them fails.
    """
    place = _place(folder)
    files = _files(_right_title(title))
    beside = place.with_name(f".{place.name[:100]}.{os.getpid()}.part")
    try:
        shutil.rmtree(beside, ignore_errors=True)  # left by a process of this number that was killed
        for name, content in files.items():
            (beside / name).parent.mkdir(parents=True, exist_ok=True)
            write_whole(beside / name, content)
        if place.exists():
            _move_into(beside, place)
        else:
            os.rename(beside, place)
    except OSError as error:
        raise _refused(place, f"a place that cannot be written to ({error.strerror or error})") from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _files(title: str) -> dict[str, str]:
    """Name below the folder → content; study.toml is the last."""
    empty = {
        f"tables/{table}.csv": study_csv(pd.DataFrame(columns=list(columns), dtype="str"), file=table)
        for table, columns in DICTIONARY.items()
    }
    return {
        **empty,
        "dictionary.html": dictionary_page(title=title),
        "dictionary.csv": spreadsheet_csv(dictionary_table()),
        "datapackage.json": descriptor(title=title),
        DEFINITION: blank_definition(title=title),
    }


def _place(folder: str | os.PathLike[str]) -> Path:
    """The folder, its links followed, if it is new or empty."""
    try:
        place = Path(folder).resolve()
        held = sorted(os.listdir(place)) if os.path.lexists(place) else []
        around = place.parent.is_dir() and bool(place.name)
    except (OSError, RuntimeError, ValueError) as error:  # no folder, unreadable, a ring of links, a NUL
        found = f"no folder that can be used ({getattr(error, 'strerror', None) or error})"
        raise _refused(Path(folder), found) from error
    if not around:
        raise _refused(place, f"no folder {place.parent} around it")
    if held:
        others = f" and {len(held) - 1} more" if len(held) > 1 else ""
        raise _refused(place, f"a folder that holds {held[0]!r}{others}")
    return place


def _move_into(beside: Path, place: Path) -> None:
    moved: list[Path] = []
    try:
        for path in sorted(beside.iterdir(), key=lambda path: path.name == DEFINITION):
            target = place / path.name
            if os.path.lexists(target):
                raise FileExistsError(errno.EEXIST, f"{path.name} appeared in it meanwhile")
            os.rename(path, target)
            moved.append(target)
    except BaseException:  # also when somebody stops it
        for target in moved:
            os.rename(target, beside / target.name)
        raise


def _right_title(title: str) -> str:
    if title != title.strip() or not title.isprintable() or len(title) > _LONGEST_TITLE:
        raise study_error(
            column="title",
            found=title[:_LONGEST_TITLE].encode("unicode_escape").decode(),
            expected=f"a title of up to {_LONGEST_TITLE} letters in one line, without spaces around it",
            remedy="Shorten or correct the title",
        )
    return title


def _refused(place: Path, found: str) -> StudyError:
    return study_error(
        file=place,
        found=found,
        expected="a new or empty folder in a place where you may write",
        remedy="Name another folder; nothing was written",
    )
