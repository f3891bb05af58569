"""Images fetched from a hospital's archive: the one command that asks the network."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path

from cohortlib.commands.listing import print_reasons
from cohortlib.commands.patient_list import read_patient_list
from cohortlib.dicom.archive import fetch_images
from cohortlib.dicom.deidentification.private_place import private_place
from cohortlib.report.problems import counted


def fetch_from_archive(
    url: str,
    folder: Path,
    *,
    patients: Path | None,
    first: datetime.date | None,
    last: datetime.date | None,
    modalities: Sequence[str],
) -> int:
    """Fetch what an archive has of a study's patients; 1 if an image or a patient is missing, else 0.

    Parameters
    ----------
    url
        The root of the archive's DICOMweb services. Credentials come from the environment only.
    folder
        Of the hospital's images, in no study and under no version control: they still name the patient.
    patients
        The list of patients, as for `take_in_images`; None = any patient.
    first, last
        Days of the examination; None = the earliest, or today.
    modalities
        Such as ["DX", "CR"]; empty = any.
    """
    place = private_place(folder, what="images that name the patient")
    numbers = list(read_patient_list(patients)) if patients is not None else []
    days = None
    if first is not None or last is not None:
        days = (first or datetime.date(1900, 1, 1), last or datetime.date.today())
    found = fetch_images(url, into=place, patient_ids=numbers, dates=days, modalities=modalities)
    missing = found[found["problem"] != ""]
    # Of a patient without images there is no path, and the number is the hospital's: it is not printed.
    print_reasons(missing["problem"], missing["path"].where(missing["path"] != "", "a patient of the list"))
    count = found["outcome"].value_counts()
    fetched = counted(count.get("fetched", 0), "image")
    print(f"{folder}: {fetched} fetched, {count.get('kept', 0)} there already.")
    if len(missing):
        print("The same command fetches what is missing.")
    return 1 if len(missing) else 0
