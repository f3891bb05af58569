"""What files, sources and texts hold, in one number: SHA-256."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path

import cohortlib

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
