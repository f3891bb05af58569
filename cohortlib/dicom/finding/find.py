"""Every file of a folder, one row each, from headers alone; a second time only what changed is read."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.dicom.finding.columns import HEADER_COLUMNS, IMAGE_COLUMNS, column_values, empty_row
from cohortlib.dicom.finding.header import header_row, header_sha256
from cohortlib.dicom.finding.index import KEPT_COLUMNS, Kept, nothing_kept, read_kept, write_kept
from cohortlib.dicom.finding.walk import FoundFile, found_files
from cohortlib.files import make_folder

#: Files that a thread reads before it gives back their rows, at most.
_PORTION = 250
#: The index is written whenever so many more files were read, so that an interruption costs little.
_FILES_BETWEEN_WRITINGS = 5000

# The values of `KEPT_COLUMNS`: path, size, time, length and digest of the header, then its row
KeptRow = tuple[Any, ...]


def find_images(
    folder: str | os.PathLike[str],
    *,
    index: str | os.PathLike[str] | None = None,
    workers: int = 4,
) -> pd.DataFrame:
    """Every file below a folder, one row each: what its header tells, or why it is no image.

    Parameters
    ----------
    folder
        Searched with all folders in it. Nothing in it is changed. Links are not followed.
    index
        A file for what was found, best in the study's `derived` folder; None keeps nothing. A file
        whose size and time are those of the index is not opened again; if only its time changed, it is
        opened and the bytes of its header are compared by their SHA-256.
    workers
        Files read at the same time, by threads: over a network nearly all the time is waiting, and four
        wait as long as one. Files that the system has in its memory are read fastest by one.

    Returns
    -------
    DataFrame
        In the order of `path` (below `folder`). `problem` says why a file cannot be used, and is "" for
        an image; `note` what a user should know of it. What else is not stated is "" or missing.

        - identity: patient_id, study_uid, series_uid, instance_uid, frame_of_reference_uid
        - kind: sop_class, modality, image_type, series_description, body_part, view, position,
          laterality, photometric, burned_in_annotation, transfer_syntax
        - order: study_date, acquired_at, series_number, instance_number
        - geometry: rows, columns, frames; row_spacing_mm, column_spacing_mm and spacing_source, as
          `read_radiograph` gives them, or "reconstruction" for a cross-section, whose pixels lie in the
          patient; source_to_detector_mm, slice_thickness_mm, gantry_tilt_deg; plane ("axial",
          "coronal", "sagittal", "oblique"), cosines (of rows and columns, separated by a backslash),
          and the first pixel's place in the patient: left_mm, posterior_mm, superior_mm
        - exposure and dose: tube_voltage_kv, exposure_mas, ctdi_vol_mgy [mGy],
          dose_area_product_dgy_cm2 [dGy cm²], kernel
        - scanner: manufacturer, model, serial_number

    Raises
    ------
    StudyError
        If there is no such folder, or the index cannot be written. Files never raise: what is wrong with
        one is in its row.

    Notes
    -----
    Pixels are not read: an uncompressed image that is shorter than its pixels is found, other damage of
    pixels is not. A file changed twice within one tick of the file system's clock that keeps its size
    looks unchanged; delete the index then.

    Examples
    --------
    >>> from cohortlib.dicom import find_images
    >>> images = find_images("images", index="derived/found_images.json")  # doctest: +SKIP
    >>> images.loc[images["problem"] != "", ["path", "problem"]]  # doctest: +SKIP
    """
    root = Path(folder)
    files = found_files(root)
    refused = [file for file in files if file.problem]
    regular = [file for file in files if not file.problem]
    kept = nothing_kept()
    if index is not None:
        make_folder(Path(index).parent)
        own = os.path.relpath(Path(index).resolve(), root.resolve()).replace(os.sep, "/")
        regular = [file for file in regular if file.path != own]
        kept = read_kept(Path(index))
    if not _is_unchanged(kept, regular):
        kept = _read_again(root, regular, kept, None if index is None else Path(index), workers)
    return _table(kept, refused)


def _is_unchanged(kept: Kept, files: Sequence[FoundFile]) -> bool:
    now = [list(column) for column in zip(*(file[:3] for file in files), strict=True)]
    return now == [kept["path"], kept["size_bytes"], kept["mtime_ns"]]


def _read_again(root: Path, files: Sequence[FoundFile], kept: Kept, index: Path | None, workers: int) -> Kept:
    """The index brought up to date; it is written now and then, and at the end however it ends."""
    rows = dict(zip(kept["path"], zip(*kept.values(), strict=True), strict=True))
    to_read = [file for file in files if rows.get(file.path, ("", -1, -1))[:3] != file[:3]]
    written = 0
    try:
        for count, row in enumerate(_rows(root, to_read, rows, workers)):
            rows[row[0]] = row
            if index is not None and count - written >= _FILES_BETWEEN_WRITINGS:
                write_kept(index, _columns(files, rows))
                written = count
    finally:
        if index is not None:
            write_kept(index, _columns(files, rows))
    return _columns(files, rows)


def _rows(
    root: Path, files: Sequence[FoundFile], before: Mapping[str, KeptRow], workers: int
) -> Iterator[KeptRow]:
    """The rows of files that are new or changed, read by several threads."""
    size = max(1, min(_PORTION, len(files) // (4 * max(1, workers))))
    portions = [files[start : start + size] for start in range(0, len(files), size)]
    pool = ThreadPoolExecutor(max(1, workers))

    def read(portion: Sequence[FoundFile]) -> list[KeptRow]:
        return [_row(os.path.join(root, file.path), file, before.get(file.path)) for file in portion]

    try:
        for done in pool.map(read, portions):
            yield from done
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _row(path: str, file: FoundFile, before: KeptRow | None) -> KeptRow:
    if before is not None and before[1] == file.size_bytes and before[4]:
        header_bytes, digest = before[3:5]
        if header_sha256(path, header_bytes) == digest:  # touched, copied or restored, not changed
            return (*file[:3], *before[3:])
    found = header_row(path, file.size_bytes)
    return (*file[:3], found.header_bytes, found.header_sha256, *found.row)


def _columns(files: Sequence[FoundFile], rows: Mapping[str, KeptRow]) -> Kept:
    """The rows of the files that are there, in their order, by column."""
    there = [rows[file.path] for file in files if file.path in rows]
    columns = zip(*there, strict=True) if there else ([] for _ in KEPT_COLUMNS)
    return {name: list(values) for name, values in zip(KEPT_COLUMNS, columns, strict=True)}


def _table(kept: Kept, refused: Sequence[FoundFile]) -> pd.DataFrame:
    """The table of `IMAGE_COLUMNS` in the order of the paths."""
    empty = [empty_row(file.problem) for file in refused]
    values = dict(kept)
    if refused:
        values["path"] = kept["path"] + [file.path for file in refused]
        values["size_bytes"] = kept["size_bytes"] + [None] * len(refused)
        for place, name in enumerate(HEADER_COLUMNS):
            values[name] = kept[name] + [row[place] for row in empty]
    table = pd.DataFrame({name: column_values(name, values[name]) for name in IMAGE_COLUMNS})
    return table.sort_values("path", ignore_index=True) if refused else table
