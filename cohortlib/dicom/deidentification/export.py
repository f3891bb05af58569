"""Images that leave the study: only what a person looked at, or with the bands masked that hold text."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import pandas as pd
from pydicom.dataset import Dataset

from cohortlib.dicom.decoding import stored_values
from cohortlib.dicom.deidentification.header import add_method
from cohortlib.dicom.deidentification.pixel_checks import FINDINGS, image_sha256, read_pixel_checks
from cohortlib.dicom.deidentification.pixels import mask_bands, put_pixels
from cohortlib.dicom.deidentification.write import file_content, write_new
from cohortlib.dicom.elements import label, word, words
from cohortlib.dicom.finding.walk import found_files
from cohortlib.dicom.identifiers import header_identifiers, problem_rows
from cohortlib.dicom.opening import guarded, read_dataset, warnings_noted
from cohortlib.dicom.refusals import pixel_problems
from cohortlib.dicom.whole_files import make_folder
from cohortlib.errors import StudyError, problem, study_error

_CLEAR, _BAND, _ELSEWHERE = FINDINGS
COLUMNS = ("path", "masked", "checked_by", "checked_at", "finding", "sha256")


def export_images(
    folder: str | os.PathLike[str],
    target_folder: str | os.PathLike[str],
    *,
    record: str | os.PathLike[str],
    mask_fraction: float | None = None,
) -> pd.DataFrame:
    """Copy de-identified images for others: all of them, or none if one may not go.

    Parameters
    ----------
    folder
        De-identified images, as `write_deidentified` writes them. Nothing in it is changed.
    target_folder
        An empty or new folder outside it.
    record
        The record of pixel checks.
    mask_fraction
        What part of the rows is made black at the top and at the bottom of every image that was not found
        clear, such as 0.12. None masks nothing.

    Returns
    -------
    DataFrame
        One row an image: path, masked (True or False), checked_by, checked_at and finding ("" if nobody
        looked), sha256 of the exported file.

    Raises
    ------
    StudyError
        With every image that may not go: not de-identified; checked by nobody, or with text at the top
        or bottom, and not to be masked; with text elsewhere. Nothing is written then.

    Notes
    -----
    The last check of an image counts, and only for the very file that was checked. A masked image is
    another image: it has a UID of its own, and its header says so (Clean Pixel Data Option, 113101).
    """
    origin, target = Path(folder), Path(target_folder)
    _check_choice(origin, target, mask_fraction)
    checks = read_pixel_checks(record).drop_duplicates("sha256", keep="last").set_index("sha256")
    problems: list[dict[str, Any]] = []
    rows = []
    for file in found_files(origin):
        if file.problem:
            problems.append(_problem(file.path, file.problem))
            continue
        found = _checked(origin, file.path, checks)
        rows.append(found)
        problems += _refusal(origin, found, mask_fraction)
    if problems:
        raise StudyError(problems)
    make_folder(target)
    return pd.DataFrame(
        [_exported(origin, target, row, mask_fraction) for row in rows], columns=list(COLUMNS)
    ).astype({name: "bool" if name == "masked" else "str" for name in COLUMNS})


def _check_choice(folder: Path, target: Path, mask_fraction: float | None) -> None:
    origin, place = folder.resolve(), target.resolve()
    found = ""
    if place.is_relative_to(origin) or origin.is_relative_to(place):
        found, expected = "one folder within the other", "two folders apart from each other"
    elif place.exists() and (not place.is_dir() or any(place.iterdir())):
        found, expected = "a place where something lies", "a new or empty folder"
    elif mask_fraction is not None and not 0 < mask_fraction < 0.5:
        found, expected = f"mask_fraction {mask_fraction}", "a part of the rows between 0 and 0.5"
    if found:
        raise study_error(
            file=target.name, found=found, expected=expected, remedy="Name another folder or part"
        )


def _checked(folder: Path, path: str, checks: pd.DataFrame) -> dict[str, Any]:
    sha256 = image_sha256(folder, path)
    row: dict[str, Any] = {"path": path, "sha256": sha256, "finding": "", "checked_by": "", "checked_at": ""}
    if sha256 in checks.index:
        row |= {name: str(checks.at[sha256, name]) for name in ("finding", "checked_by", "checked_at")}
    return row | {"masked": row["finding"] != _CLEAR}


def _refusal(folder: Path, row: dict[str, Any], mask_fraction: float | None) -> list[dict[str, Any]]:
    path, finding = row["path"], row["finding"]
    problems = []
    if finding == _ELSEWHERE:
        problems.append(_problem(path, finding, remedy="Take the image out of what is exported"))
    elif finding == _BAND and mask_fraction is None:
        problems.append(_problem(path, finding, remedy="Give mask_fraction, wide enough for the text"))
    elif not finding and mask_fraction is None:
        remedy = "Look at the image and record_pixel_check it, or give mask_fraction"
        problems.append(_problem(path, "an image that nobody looked at", remedy=remedy))
    try:
        with warnings_noted([]), guarded(path):
            dataset = read_dataset(folder / path, name=path)
            problems += _identity_problems(dataset, path)
            problems += pixel_problems(dataset, path)
    except StudyError as error:
        problems += problem_rows(error)
    return problems


def _identity_problems(dataset: Dataset, path: str) -> list[dict[str, Any]]:
    if word(dataset, "PatientIdentityRemoved") != "YES":
        found = f"{label('PatientIdentityRemoved')} is not YES"
        return [_problem(path, found, remedy="Write the image with write_deidentified")]
    return header_identifiers(dataset, name=path, patient_ids=words(dataset, "PatientID"))


def _exported(folder: Path, target: Path, row: dict[str, Any], fraction: float | None) -> dict[str, Any]:
    path = row["path"]
    if not row["masked"] or fraction is None:
        content = (folder / path).read_bytes()
        if hashlib.sha256(content).hexdigest() != row["sha256"]:
            raise study_error(
                file=path, found="a file that changed since it was looked at", expected="the checked image",
                remedy="Find out who changes it, and export again into another folder",
            )  # fmt: skip
    else:
        with warnings_noted([]), guarded(path):
            content = file_content(_masked(folder / path, path, fraction))
    write_new(target, path, content)
    return row | {"sha256": hashlib.sha256(content).hexdigest()}


def _masked(path: Path, name: str, fraction: float) -> Dataset:
    dataset = read_dataset(path, name=name)
    put_pixels(dataset, mask_bands(dataset, stored_values(dataset, name=name), fraction))
    digest = hashlib.sha256(f"masked {fraction} {dataset.SOPInstanceUID}".encode()).digest()
    number = int.from_bytes(digest[:16], "big") & ~(0xF000 << 64) & ~(0xC000 << 48)
    dataset.SOPInstanceUID = f"2.25.{number | (0x8000 << 64) | (0x8000 << 48)}"
    dataset.ImageType = ["DERIVED", *list(dataset.get("ImageType") or ["", "PRIMARY"])[1:]]
    dataset.BurnedInAnnotation = "NO"
    add_method(dataset, "113101")
    return dataset


def _problem(path: str, found: str, *, remedy: str = "Take the file out") -> dict[str, Any]:
    return problem(
        file=path, found=found, expected="an image that was found clear, or masked bands", remedy=remedy
    )
