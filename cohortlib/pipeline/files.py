"""Files on disk: what they hold in one number, and writing them whole or not at all."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path

import cohortlib
from cohortlib.errors import study_error

_PACKAGE = Path(cohortlib.__file__).parent
#: Libraries whose release may change the last digits of a measurement.
_COMPUTING = ("numpy", "scipy", "scikit-image", "SimpleITK", "pydicom")


def file_digest(path: Path) -> str:
    """SHA-256 of the bytes of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def source_digest(*parts: str) -> str:
    """SHA-256 of the source of parts of the library, its version and those of what it computes with.

    Parameters
    ----------
    *parts
        Folders or files below `cohortlib`, such as "measure" or "image.py"; "" is all of it.
    """
    digest = hashlib.sha256(cohortlib.__version__.encode())
    for name in _COMPUTING:
        digest.update(f"\n{name} {version(name)}".encode())
    for part in parts:
        place = _PACKAGE / part
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            digest.update(f"\n{path.relative_to(_PACKAGE).as_posix()}\n".encode() + path.read_bytes())
    return digest.hexdigest()


def combined_digest(parts: Iterable[str]) -> str:
    """SHA-256 of texts in their order; where one ends and the next begins counts."""
    return hashlib.sha256("".join(f"{len(part)}:{part}" for part in parts).encode()).hexdigest()


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
    except OSError:
        writable = False
    if not writable:
        raise study_error(
            file=folder,
            found="a folder that cannot be written to",
            expected="a folder for what is worked out from the study",
            remedy="Copy the study to a place where you may write",
        )
    return folder


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file so that nobody ever sees half of it: under another name, then renamed."""
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        beside.write_bytes(content.encode() if isinstance(content, str) else content)
        os.replace(beside, path)
    finally:
        beside.unlink(missing_ok=True)
