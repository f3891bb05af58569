"""Images fetched from an archive, each verified before it is there under its name (WADO-RS)."""

from __future__ import annotations

import datetime
import hashlib
import math
import os
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path

import pandas as pd
from dicomweb_client.web import DICOMwebClient
from pydicom.dataset import Dataset

from cohortlib.dicom.archive.connection import archive_client
from cohortlib.dicom.archive.search import Instance, archive_failures, instances_in_archive
from cohortlib.dicom.elements import is_given, label, whole, word
from cohortlib.dicom.layout import image_place
from cohortlib.dicom.opening import parsed_dataset, read_content, warnings_noted
from cohortlib.errors import StudyError, study_error
from cohortlib.files import make_folder, place_below, write_whole

COLUMNS = (
    "path", "outcome", "problem", "patient_id", "study_date", "modality", "study_uid", "series_uid",
    "instance_uid", "size_bytes", "sha256",
)  # fmt: skip
#: After so many failures one after the other the archive is taken to be gone.
_MOST_FAILURES = 5
_NOT_ALL = "the archive counts more images of this series than it names"
_IDENTITY = {
    "StudyInstanceUID": "study_uid",
    "SeriesInstanceUID": "series_uid",
    "SOPInstanceUID": "instance_uid",
    "PatientID": "patient_id",
}


def fetch_images(
    url: str,
    *,
    into: str | os.PathLike[str],
    patient_ids: Sequence[str] = (),
    dates: tuple[datetime.date, datetime.date] | None = None,
    modalities: Sequence[str] = (),
    user: str | None = None,
    password: str | None = None,
    token: str | None = None,
) -> pd.DataFrame:
    """Fetch the images of a study's patients from a DICOM archive; what is there already is not fetched.

    Parameters
    ----------
    url
        The root of the archive's DICOMweb services; https, or http on this computer.
    into
        A folder of the hospital's images, **not** the study's: what is fetched still names the patient.
        It is made if it is not there. Images are laid out by patient, day, series and image, as
        `write_deidentified` lays them out.
    patient_ids
        Hospital numbers, without wildcards; empty = any patient.
    dates
        First and last day of the examination; None = any day.
    modalities
        Such as ("DX", "CR"); empty = any. At least one of the three must be given.
    user, password, token
        For the archive; if they are not given, the environment variables COHORT_ARCHIVE_USER and
        COHORT_ARCHIVE_PASSWORD, or COHORT_ARCHIVE_TOKEN. They are never written anywhere.

    Returns
    -------
    DataFrame
        One row an image of the archive that was asked for, one a patient of whom there is none, and one a
        series of which the archive names fewer images than it counts:
        path (below `into`), outcome ("fetched", "kept" = was there and is whole, "failed", "none"),
        problem (why it failed), patient_id, study_date, modality, study_uid, series_uid, instance_uid,
        size_bytes, sha256.

    Raises
    ------
    StudyError
        If the request or the address is refused, or the archive does not answer a search. A single image
        that fails is in its row; ask again, and only what is missing is fetched.

    Notes
    -----
    The bytes are kept as the archive sends them, in the encoding it has. Before a file gets its name it
    is read whole: its UIDs and patient must be those of the search, and an uncompressed image must have
    all its pixels. A file that is there is verified in the same way; if it is another, it stays and its
    row says so.

    References
    ----------
    DICOM PS3.18: 10.6 Search (QIDO-RS), 10.4 Retrieve (WADO-RS).
    """
    client = archive_client(url, user=user, password=password, token=token)
    folder = Path(into)
    wanted = instances_in_archive(client, patient_ids=patient_ids, dates=dates, modalities=modalities)
    make_folder(folder)
    rows: list[dict[str, object]] = []
    failures = 0
    for instance in wanted:
        if not instance.instance_uid:
            rows.append({"outcome": "none", "problem": _NOT_ALL, **instance._asdict()})
            continue
        row = _fetched(client, folder, instance, gone=failures >= _MOST_FAILURES)
        failures = failures + 1 if row["outcome"] == "failed" else 0
        rows.append(row)
    for patient_id in dict.fromkeys(patient_ids):
        if not any(instance.patient_id == patient_id for instance in wanted):
            problem = "the archive has nothing of this patient that was asked for"
            rows.append({"outcome": "none", "problem": problem, "patient_id": patient_id})
    blank = dict.fromkeys(COLUMNS, "") | {"size_bytes": None}
    table = pd.DataFrame([blank | row for row in rows], columns=list(COLUMNS))
    return table.astype({name: "Int64" if name == "size_bytes" else "str" for name in COLUMNS})


def _fetched(client: DICOMwebClient, folder: Path, instance: Instance, *, gone: bool) -> dict[str, object]:
    """The row of one image, which is there afterwards unless its row has a problem."""
    path = image_place(
        patient_id=instance.patient_id,
        study_date=instance.study_date,
        modality=instance.modality,
        series_uid=instance.series_uid,
        instance_uid=instance.instance_uid,
    )
    row = {"path": path, "outcome": "failed", **instance._asdict()}
    try:
        place = place_below(folder, path)
        outcome = "kept" if place.exists() else "fetched"
        if outcome == "fetched":
            if gone:
                return row | {"problem": "not tried: the archive failed several times one after the other"}
            content = _content(client, instance)
            _check_identity(content, instance)
            write_whole(place, content)
        content = read_content(place, name=path)
        _check_identity(content, instance)
    except StudyError as error:
        found = error.problems.iloc[0]
        return row | {"problem": f"found {found['found']}; expected {found['expected']}"}
    except OSError as error:
        return row | {"problem": f"a place that cannot be written to ({error.strerror})"}
    digest = hashlib.sha256(content).hexdigest()
    return row | {"outcome": outcome, "size_bytes": len(content), "sha256": digest}


def _content(client: DICOMwebClient, instance: Instance) -> bytes:
    """The bytes of an image as the archive sends them."""
    with archive_failures("an image"), warnings_noted([]):
        dataset = client.retrieve_instance(instance.study_uid, instance.series_uid, instance.instance_uid)
        if not isinstance(dataset.buffer, BytesIO):
            raise TypeError
        return dataset.buffer.getvalue()


def _check_identity(content: bytes, instance: Instance) -> None:
    """Refuse bytes that are not the image that was asked for, or not all of it."""
    with warnings_noted([]):
        dataset = parsed_dataset(content, name="")
        for keyword, name in _IDENTITY.items():
            wanted = str(getattr(instance, name)).upper()
            if wanted and word(dataset, keyword) != wanted:
                raise study_error(
                    found=f"an image with another {label(keyword)}",
                    expected="the image that was asked for",
                    remedy="Ask who runs the archive",
                )
        if not _is_whole(dataset):
            raise study_error(
                found="an image that was cut short", expected="all its pixels", remedy="Fetch it again"
            )


def _is_whole(dataset: Dataset) -> bool:
    """Whether an uncompressed image has all its pixels; what has no pixels is whole."""
    if not is_given(dataset, "PixelData") or dataset.file_meta.TransferSyntaxUID.is_encapsulated:
        return True
    frames = whole(dataset, "NumberOfFrames") if is_given(dataset, "NumberOfFrames") else 1
    sizes = [whole(dataset, keyword) for keyword in ("Rows", "Columns", "SamplesPerPixel", "BitsAllocated")]
    return len(dataset.PixelData) >= math.prod(sizes) * frames // 8
