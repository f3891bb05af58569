"""The files below a folder, without following a link out of it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from cohortlib.errors import study_error


class FoundFile(NamedTuple):
    r"""One entry of the tree.

    Attributes
    ----------
    path
        Below the folder, with / between its steps; bytes that are no letters are shown as \x….
    size_bytes, mtime_ns
        Of the file; 0 where there is none to be read.
    problem
        Why it is not to be opened; "" for a regular file.
    """

    path: str
    size_bytes: int
    mtime_ns: int
    problem: str


def found_files(folder: Path) -> list[FoundFile]:
    """Every file below the folder in the order of the paths; links, pipes and the like with their reason.

    Raises
    ------
    StudyError
        If there is no such folder.
    """
    if not folder.is_dir():
        raise study_error(
            file=folder,
            found="no folder",
            expected="a folder with images",
            remedy="Correct the path",
        )
    return sorted(_files(os.path.realpath(folder)))


def _files(root: str) -> Iterator[FoundFile]:
    waiting = [("", root)]
    while waiting:
        below, folder = waiting.pop()
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    path = below + entry.name
                    if entry.is_dir(follow_symlinks=False):
                        waiting.append((path + "/", entry.path))
                    else:
                        yield _file(entry, path, root)
        except OSError as error:
            yield FoundFile(_shown(below) or ".", 0, 0, f"a folder that cannot be read ({error.strerror})")


def _file(entry: os.DirEntry[str], path: str, root: str) -> FoundFile:
    problem = ""
    if not path.isascii() and (shown := _shown(path)) != path:
        path, problem = shown, "a file name that is not UTF-8"
    elif entry.is_symlink():
        target = os.path.realpath(entry.path)
        inside = (target + os.sep).startswith(root.rstrip(os.sep) + os.sep)
        leads = "within the folder, where its target is read" if inside else "out of the folder"
        problem = f"a link that leads {leads}: not followed"
    elif not entry.is_file(follow_symlinks=False):
        problem = "something that is no regular file"
    if problem:
        return FoundFile(path, 0, 0, problem)
    try:
        stat = entry.stat(follow_symlinks=False)
    except OSError as error:  # gone since the folder was listed
        return FoundFile(path, 0, 0, f"a file that cannot be read ({error.strerror})")
    return FoundFile(path, stat.st_size, stat.st_mtime_ns, "")


def _shown(path: str) -> str:
    return os.fsencode(path).decode("utf-8", "backslashreplace")
