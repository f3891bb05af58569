"""Files written whole or not at all, and only below the folder that was named."""

from __future__ import annotations

import os
from pathlib import Path

from cohortlib.errors import study_error


def write_whole(path: Path, content: str | bytes, *, mode: int = 0o666) -> None:
    """Write a file so that nobody ever sees half of it, and so that it outlives a power cut.

    Parameters
    ----------
    path
        Its folder must be there. A file of this name is replaced.
    content
        All of the file; a text becomes UTF-8 with its line ends as they are.
    mode
        Permissions of a new file, less those the system withholds.
    """
    beside = path.with_name(f".{path.name[:100]}.{os.getpid()}.part")
    beside.unlink(missing_ok=True)  # left by a process of this number that was killed
    try:
        descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content.encode() if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    finally:
        beside.unlink(missing_ok=True)


def make_folder(folder: Path) -> Path:
    """The folder, made if it is not there.

    Raises
    ------
    StudyError
        If it cannot be made or written to; said before hours of work instead of after.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        writable = os.access(folder, os.W_OK)
    except (OSError, ValueError):
        writable = False
    if not writable:
        raise study_error(
            file=folder,
            found="a folder that cannot be written to",
            expected="a folder for what is made",
            remedy="Name a folder in which you may write, or copy the study to one",
        )
    return folder


def place_below(folder: Path, relative: str) -> Path:
    """The path of a file below a folder; its folders are made, and no link leads it elsewhere.

    Raises
    ------
    StudyError
        If a link on the way leads out of the folder, or the folders cannot be made.
    """
    path = folder / relative
    root = folder.resolve()
    found = ""
    try:
        if path.parent.resolve().is_relative_to(root):
            path.parent.mkdir(parents=True, exist_ok=True)
        if not path.parent.resolve().is_relative_to(root) or path.is_symlink():
            found = "a link that leads out of the folder"
    except (OSError, RuntimeError, ValueError) as error:
        found = f"a place that cannot be written to ({getattr(error, 'strerror', None) or error})"
    if found:
        raise study_error(
            file=relative,
            found=found,
            expected="a place below the folder that was named",
            remedy="Remove the link, or name another folder",
        )
    return path
