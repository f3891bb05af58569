"""What was found before, kept as text: true for a file while its size and time stay."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any, TypeGuard

import pydicom

import cohortlib.dicom
from cohortlib.dicom.finding.columns import HEADER_COLUMNS, IMAGE_COLUMNS
from cohortlib.errors import study_error
from cohortlib.files import write_whole

#: Column → kind: how a file was when it was read, the bytes its row was made of, and the row.
KEPT_COLUMNS = {
    "path": "text",
    "size_bytes": "integer",
    "mtime_ns": "integer",
    "header_bytes": "integer",
    "header_sha256": "text",
} | {name: IMAGE_COLUMNS[name] for name in HEADER_COLUMNS}

Kept = dict[str, list[Any]]

_TYPES: dict[str, set[type]] = {
    "text": {str},
    "time": {str},
    "integer": {int, type(None)},
    "number": {float, int, type(None)},
}


def nothing_kept() -> Kept:
    """An index without files."""
    return {name: [] for name in KEPT_COLUMNS}


def read_kept(path: Path) -> Kept:
    """What is kept, by column; nothing if there is no index, or none that this version can use."""
    try:
        content = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return nothing_kept()
    if not isinstance(content, dict) or content.get("source") != _source_digest():
        return nothing_kept()
    kept = content.get("files")
    return kept if _is_usable(kept) else nothing_kept()


def _is_usable(kept: Any) -> TypeGuard[Kept]:
    return (
        isinstance(kept, dict)
        and list(kept) == list(KEPT_COLUMNS)
        and all(isinstance(values, list) for values in kept.values())
        and len({len(values) for values in kept.values()}) == 1
        and all(set(map(type, kept[name])) <= _TYPES[kind] for name, kind in KEPT_COLUMNS.items())
    )


def write_kept(path: Path, kept: Kept) -> None:
    """Keep the columns of `KEPT_COLUMNS`.

    Raises
    ------
    StudyError
        If the index cannot be written.
    """
    try:
        write_whole(path, json.dumps({"source": _source_digest(), "files": kept}).encode())
    except OSError as error:
        raise study_error(
            file=path.name,
            column="index",
            found=f"an index that cannot be written ({error.strerror})",
            expected="a file in a folder where you may write",
            remedy="Name another place for the index, such as the study's derived folder",
        ) from error


@cache
def _source_digest() -> str:
    """The digest of everything that decides a row: this room's source and pydicom's version."""
    digest = hashlib.sha256(pydicom.__version__.encode())
    room = Path(cohortlib.dicom.__file__).parent
    for path in sorted(room.rglob("*.py")):
        digest.update(path.relative_to(room).as_posix().encode() + path.read_bytes())
    return digest.hexdigest()
