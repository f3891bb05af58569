"""Images from the hospital → images of the study: identity removed, intervals kept."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
from pydicom.dataset import Dataset

from cohortlib.dicom.deidentification.image import deidentified_image, file_content
from cohortlib.dicom.deidentification.key import Key, read_key
from cohortlib.dicom.elements import word
from cohortlib.dicom.finding.walk import FoundFile, found_files
from cohortlib.dicom.layout import image_place
from cohortlib.dicom.opening import guarded, warnings_noted
from cohortlib.errors import StudyError, study_error
from cohortlib.files import make_folder, place_below, write_whole

COLUMNS = ("source", "path", "problem", "note", "patient_id", "sha256")


def write_deidentified(
    source: str | os.PathLike[str],
    target_folder: str | os.PathLike[str],
    *,
    key: str | os.PathLike[str],
    done: Callable[[], None] | None = None,
) -> pd.DataFrame:
    """Write every image below a folder without what identifies its patient.

    Parameters
    ----------
    source
        A folder with the hospital's images, or one file. Nothing in it is changed.
    target_folder
        Such as the study's `images`; made if it is not there. It must not lie in `source`, nor the
        other way round. Images are laid out by patient, day, series and image.
    key
        The file that `write_key` wrote, outside the study folder.
    done
        Called after each file, such as to move a bar.

    Returns
    -------
    DataFrame
        One row a file: source (below `source`; may itself hold a name, so do not keep it in the study),
        path (below `target_folder`, "" if not written), problem (why not), note (what was left out of
        the elements that may stay), patient_id (of the study), sha256 (of the written file).

    Raises
    ------
    StudyError
        If a folder or the key cannot be used. Files never raise: what is wrong with one is in its row.

    Notes
    -----
    Only elements of an allow-list stay, none of which table E.1-1 of DICOM PS3.15 names; private ones
    never. UIDs are replaced by 2.25 and 128 bits of HMAC-SHA-256 under the key's secret, the same
    everywhere. Dates are moved by the patient's secret number of days, so that every interval between two
    of them stays; times of day are removed, as the Basic Profile wants. Codes keep the meaning that the
    standard gives. Pixels are decoded and written uncompressed.

    The same file and key give the same bytes; a file that is there is not written again, and one with
    other content is never replaced. Text burned into the pixels is not seen: `record_pixel_check` and
    `export_images` are for that.

    References
    ----------
    DICOM PS3.15, annex E: Attribute Confidentiality Profiles; PS3.16, CID 7050.
    """
    origin, target = Path(source), Path(target_folder)
    _check_apart(origin, target)
    known = read_key(key, study_folder=target)
    if origin.is_file():
        folder, files = origin.parent, [FoundFile(origin.name, origin.stat().st_size, 0, "")]
    else:
        folder, files = origin, found_files(origin)
    make_folder(target)
    rows = []
    for file in files:
        rows.append(_written(folder, file, target, known))
        if done is not None:
            done()
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype("str")


def _check_apart(source: Path, target: Path) -> None:
    origin, place = source.resolve(), target.resolve()
    found = ""
    if not origin.exists():
        found, expected = "no such file or folder", "the hospital's images"
    elif place.is_relative_to(origin) or (origin.is_dir() and origin.is_relative_to(place)):
        found, expected = "one folder within the other", "two folders apart from each other"
    elif place.exists() and not place.is_dir():
        found, expected = "a file", "a folder to write to"
    if found:
        raise study_error(
            file=source.name, column="source, target_folder", found=found, expected=expected,
            remedy="Name the folder with the original images, and another one for the study's",
        )  # fmt: skip


def _written(folder: Path, file: FoundFile, target: Path, key: Key) -> dict[str, Any]:
    """The row of one file, which is written if it can be."""
    row = dict.fromkeys(COLUMNS, "") | {"source": file.path, "problem": file.problem}
    if file.problem:
        return row
    warned: list[str] = []
    try:
        with warnings_noted(warned), guarded(file.path):
            new, notes = deidentified_image(folder / file.path, key, name=file.path)
            content = file_content(new)
        path = _place(new)
        write_new(target, path, content)
    except StudyError as error:
        first = error.problems.iloc[0]
        place = f"{first['column']}: " if first["column"] else ""
        # What a parser says of a value repeats it.
        found = re.sub(r" \(.*", "", first["found"]) if first["column"] == "DICOM" else first["found"]
        return row | {"problem": f"{place}found {found}; expected {first['expected']}"}
    if warned:  # the warnings themselves repeat values of the original
        notes.append("the original departs from the standard")
    return row | {
        "path": path,
        "note": "; ".join(notes),
        "patient_id": str(new.PatientID),
        "sha256": hashlib.sha256(content).hexdigest(),
    }


def write_new(target: Path, path: str, content: bytes) -> None:
    """Write a file below a folder; one that is there stays, and must have the same content.

    Raises
    ------
    StudyError
        If there is another file, or the place cannot be written to.
    """
    place = place_below(target, path)
    try:
        if not place.exists():
            write_whole(place, content)
            return
        same = place.is_file() and place.read_bytes() == content
    except OSError as error:
        raise study_error(
            file=path,
            found=f"a place that cannot be written to ({error.strerror})",
            expected="a folder to write to",
            remedy="Correct its permissions, or make room",
        ) from error
    if not same:
        raise study_error(
            file=path,
            found="another file at its place",
            expected="the same image, or none",
            remedy="Find out which is right and move the other away",
        )


def _place(new: Dataset) -> str:
    return image_place(
        patient_id=str(new.PatientID),
        study_date=word(new, "StudyDate"),
        modality=word(new, "Modality"),
        series_uid=word(new, "SeriesInstanceUID"),
        instance_uid=word(new, "SOPInstanceUID"),
    )
