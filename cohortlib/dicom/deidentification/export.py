"""Images that leave the study: only what a person looked at, with the bands masked that hold text."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd
from pydicom.dataset import Dataset

from cohortlib.dicom.decoding import stored_values
from cohortlib.dicom.deidentification.elements import OURS
from cohortlib.dicom.deidentification.header import add_method
from cohortlib.dicom.deidentification.image import file_content
from cohortlib.dicom.deidentification.pixel_checks import FINDINGS, image_sha256, read_pixel_checks
from cohortlib.dicom.deidentification.pixels import mask_bands, put_pixels
from cohortlib.dicom.elements import label, word, words
from cohortlib.dicom.finding.walk import found_files
from cohortlib.dicom.identifiers import header_identifiers, problem_rows
from cohortlib.dicom.opening import guarded, parsed_dataset, read_content, warnings_noted
from cohortlib.dicom.refusals import pixel_problems
from cohortlib.errors import StudyError, problem, study_error
from cohortlib.files import make_folder, place_below, write_whole

_CLEAR, _BAND, _ELSEWHERE = FINDINGS
_WRITE_AGAIN = "Write the image with write_deidentified, and look at it again"
COLUMNS = ("path", "masked", "checked_by", "checked_at", "finding", "sha256")


def export_images(
    folder: str | os.PathLike[str],
    target_folder: str | os.PathLike[str],
    *,
    record: str | os.PathLike[str],
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

    Returns
    -------
    DataFrame
        One row an image: path, masked (True or False), checked_by, checked_at and finding ("" if nobody
        looked), sha256 of the exported file.

    Raises
    ------
    StudyError
        With every image that may not go: not de-identified; looked at by nobody; with text elsewhere than
        at the top or bottom. Nothing is written then.

    Notes
    -----
    The last check of an image counts, and only for the very file that was checked. Where it found text at
    the top or bottom, the part of the rows that it names is made black at either edge. A masked image is
    another image: it has a UID of its own, and its header says so (Clean Pixel Data Option, 113101).

    References
    ----------
    DICOM PS3.15, E.3.1: Clean Pixel Data Option; PS3.3, C.7.6.1.1.2 on derived images.
    """
    origin, target = Path(folder), Path(target_folder)
    _check_apart(origin, target)
    checks = read_pixel_checks(record).drop_duplicates("sha256", keep="last").set_index("sha256")
    problems: list[dict[str, Any]] = []
    rows = []
    for file in found_files(origin):
        if file.problem:
            problems.append(_problem(file.path, file.problem))
            continue
        found = _checked(origin, file.path, checks)
        rows.append(found)
        problems += _refusal(origin, found)
    if problems:
        raise StudyError(problems)
    make_folder(target.parent)
    # Under another name until all of it is there: a stop leaves no part of an export behind.
    with TemporaryDirectory(prefix=f".{target.name[:100]}.", dir=target.parent) as beside:
        unfinished = make_folder(Path(beside, "images"))
        written = [_exported(origin, unfinished, row) for row in rows]
        if target.exists():
            target.rmdir()
        os.replace(unfinished, target)
    table = pd.DataFrame(written, columns=list(COLUMNS))
    return table.astype({name: "bool" if name == "masked" else "str" for name in COLUMNS})


def _check_apart(folder: Path, target: Path) -> None:
    origin, place = folder.resolve(), target.resolve()
    found = ""
    if place.is_relative_to(origin) or origin.is_relative_to(place):
        found, expected = "one folder within the other", "two folders apart from each other"
    elif place.exists() and (not place.is_dir() or any(place.iterdir())):
        found, expected = "a place where something lies", "a new or empty folder"
    if found:
        raise study_error(file=target.name, found=found, expected=expected, remedy="Name another folder")


def _checked(folder: Path, path: str, checks: pd.DataFrame) -> dict[str, Any]:
    sha256 = image_sha256(folder, path)
    names = ("finding", "checked_by", "checked_at", "band_fraction")
    found = checks.loc[sha256, list(names)] if sha256 in checks.index else dict.fromkeys(names, "")
    return {"path": path, "sha256": sha256, **dict(found), "masked": found["finding"] == _BAND}


def _refusal(folder: Path, row: dict[str, Any]) -> list[dict[str, Any]]:
    path, finding = row["path"], row["finding"]
    problems = []
    if finding == _ELSEWHERE:
        problems.append(_problem(path, finding, remedy="Take the image out of what is exported"))
    elif not finding:
        remedy = "Look at the image and record what is seen"
        problems.append(_problem(path, "an image that nobody looked at", remedy=remedy))
    try:
        with warnings_noted([]), guarded(path):
            content = read_content(folder / path, name=path)
            dataset = parsed_dataset(content, name=path)
            problems += _identity_problems(dataset, path)
            problems += pixel_problems(dataset, path)
            if not problems and not _is_ours(dataset, content):
                problems.append(_problem(path, "a file with more in it than its image", remedy=_WRITE_AGAIN))
    except StudyError as error:
        problems += problem_rows(error)
    return problems


def _identity_problems(dataset: Dataset, path: str) -> list[dict[str, Any]]:
    if word(dataset, "PatientIdentityRemoved") != "YES":
        return [_problem(path, f"{label('PatientIdentityRemoved')} is not YES", remedy=_WRITE_AGAIN)]
    return header_identifiers(dataset, name=path, patient_ids=words(dataset, "PatientID"))


def _is_ours(dataset: Dataset, content: bytes) -> bool:
    """Whether a file has elements of the allow-list only, and nothing before, between or behind them."""
    return OURS.issuperset(map(int, dataset.keys())) and file_content(dataset) == content


def _exported(folder: Path, target: Path, row: dict[str, Any]) -> dict[str, Any]:
    path = row["path"]
    content = read_content(folder / path, name=path)
    if hashlib.sha256(content).hexdigest() != row["sha256"]:
        raise study_error(
            file=path, found="a file that changed since it was looked at", expected="the checked image",
            remedy="Find out who changes it, and export again",
        )  # fmt: skip
    if row["masked"]:
        with warnings_noted([]), guarded(path):
            content = file_content(_masked(content, path, float(row["band_fraction"])))
    write_whole(place_below(target, path), content)
    return row | {"sha256": hashlib.sha256(content).hexdigest()}


def _masked(content: bytes, name: str, fraction: float) -> Dataset:
    dataset = parsed_dataset(content, name=name)
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
        file=path,
        found=found,
        expected="an image found clear, or with text at its edges only",
        remedy=remedy,
    )
