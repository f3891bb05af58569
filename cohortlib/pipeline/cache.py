"""What was measured before, kept as text below the study: one file a film, true while nothing changed."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

from cohortlib.dicom.opening import LARGEST_FILE_BYTES
from cohortlib.files import write_whole
from cohortlib.pipeline.digests import combined_digest, file_digest, source_digest
from cohortlib.pipeline.film import FilmTask, Row
from cohortlib.tables import MEASUREMENT_COLUMNS

_NUMBERS = {"value", "sd"}

ImageState = dict[str, Any]


def image_state(path: Path, kept: dict[str, Any]) -> ImageState:
    """Size, time and SHA-256 of an image file; the last is taken from `kept` while the first two hold.

    Raises
    ------
    OSError
        If there is no such file or it cannot be opened.

    Notes
    -----
    A file that is changed twice within one tick of the file system's clock and keeps its size looks
    unchanged, as it does to other tools that build on dates; delete the study's `derived` folder then.
    """
    stat = path.stat()
    if not path.is_file():
        raise FileNotFoundError(path)  # a folder, or something whose reading never ends
    known = {"size": stat.st_size, "mtime_ns": stat.st_mtime_ns}
    before = kept.get("image")
    if isinstance(before, dict) and before == {**known, "sha256": str(before.get("sha256"))}:
        return before
    readable = stat.st_size <= LARGEST_FILE_BYTES  # more will be refused unread
    return {**known, "sha256": file_digest(path) if readable else ""}


def measuring_source() -> str:
    """The digest of everything in the library that decides a measurement."""
    rooms = ("measure", "dicom", "geometry", "quantities", "image.py", "tables/zones.py")
    return source_digest(*rooms, "pipeline/film.py", "pipeline/scales.py")


def film_key(task: FilmTask, image: ImageState, *, source: str) -> str:
    """What a film's measurement depends on, as one digest: pixels, marks, hips, sex, `measuring_source`."""
    ids = (task.image_id, task.patient_id, task.visit_id, task.path)
    rows = (repr(tuple(row)) for row in ((task.sex,), *task.hips, *task.marks))
    return combined_digest([image["sha256"], source, *ids, *rows])


def read_kept(path: Path) -> dict[str, Any]:
    """What is kept of a film; empty if there is nothing, or nothing that can be used."""
    try:
        kept = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    rows = kept.get("rows") if isinstance(kept, dict) else None
    return kept if isinstance(rows, list) and all(map(_is_row, rows)) else {}


def write_kept(path: Path, *, key: str, image: ImageState, rows: list[Row]) -> None:
    """Keep the rows of a film; floats are written with the digits that give them back exactly."""
    content = {"key": key, "image": image, "rows": rows}
    write_whole(path, json.dumps(content, ensure_ascii=False, allow_nan=False, indent=1) + "\n")


def kept_path(folder: Path, image_id: str) -> Path:
    """Where a film is kept; letters whose case some file systems ignore are told apart by a mark."""
    return folder / (re.sub("([A-Z])", r"\1~", image_id) + ".json")


def _is_row(row: Any) -> bool:
    if not isinstance(row, list) or len(row) != len(MEASUREMENT_COLUMNS):
        return False
    for name, cell in zip(MEASUREMENT_COLUMNS, row, strict=True):
        if name in _NUMBERS:
            right = cell is None or (isinstance(cell, float) and math.isfinite(cell))
        else:
            right = isinstance(cell, int if name == "repeat" else str)
        if not right:
            return False
    return True
