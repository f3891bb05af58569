"""Images from the hospital into a study: without identity, laid out, and proposed as rows of images.csv."""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd

from cohortlib.commands.image_rows import proposed_rows
from cohortlib.commands.listing import print_reasons
from cohortlib.commands.patient_list import read_patient_list
from cohortlib.dicom import find_images, write_deidentified
from cohortlib.dicom.deidentification.key import write_key
from cohortlib.dicom.deidentification.private_place import private_place
from cohortlib.errors import StudyError, study_error
from cohortlib.files import make_folder
from cohortlib.pipeline.digests import file_digest
from cohortlib.pipeline.workers import progress_bar
from cohortlib.report.problems import counted
from cohortlib.report.tables import write_table
from cohortlib.study import read_study
from cohortlib.tables import Study

IMAGES = "images"
PROPOSED = "derived/proposed_images.csv"
INDEX = "derived/found_images.json"


def take_in_images(source: Path, folder: Path, *, key: Path, patients: Path | None, csv: Path | None) -> int:
    """Write a study's images from the hospital's, and propose rows for images.csv; 1 if a file was refused.

    Parameters
    ----------
    source
        The hospital's images; nothing in it is changed.
    folder
        The study, with study.toml. Images are written to `images/`; no table is changed.
    key
        The key file, outside the study.
    patients
        A list of hospital_id and patient_id whose patients are added to the key, which is made if it is
        not there; None if the key knows everybody.
    csv
        A table to write outside the study: what became of every file of `source`.
    """
    _check_study(folder)
    if csv is not None:  # the names of the hospital's files may hold those of patients
        private_place(csv, what="a table of the hospital's files")
    if patients is not None:
        write_key(key, read_patient_list(patients), study_folder=folder)
    elif not os.path.lexists(key):
        raise study_error(
            file=key.name, found="no such key", expected="the key of the study, or --patients to make one",
            remedy="Give --patients with a list of hospital_id and patient_id",
        )  # fmt: skip
    rows = _write_images(source, folder / IMAGES, key)
    refused, taken = rows[rows["problem"] != ""], rows[rows["problem"] == ""]
    print_reasons(refused["problem"], refused["source"])
    print_reasons(taken["note"], taken["path"])
    of = f"{counted(len(taken), 'image')} of {counted(taken['patient_id'].nunique(), 'patient')}"
    print(f"{folder / IMAGES}: {of}; {counted(len(refused), 'file')} refused.")
    if csv is not None:
        make_folder(csv.parent)
        write_table(rows, csv)
        print(f"Written: {csv}. It names the hospital's files: keep it with the key.")
    propose_rows(folder)
    return 1 if len(refused) else 0


def propose_rows(folder: Path) -> None:
    """Write the rows that images.csv lacks to `derived/proposed_images.csv`, and say what to do with them."""
    study = _study(folder)
    images = find_images(folder / IMAGES, index=folder / INDEX)
    proposed = proposed_rows(images, study, below=IMAGES)
    place = folder / PROPOSED
    if proposed.empty:
        place.unlink(missing_ok=True)
        print("images.csv names every image.")
        return
    films = proposed["kind"] != "CT"  # of a CT there is a folder
    proposed.loc[films, "sha256"] = [file_digest(folder / path) for path in proposed.loc[films, "path"]]
    write_table(proposed, place)
    without = int((proposed["visit_id"] == "").sum())
    print(
        f"{counted(len(proposed), 'row')} for images.csv proposed in {place}: look at each, and add it there."
    )
    if without and study is not None:
        print(
            f"{without} of them without a visit, because none lies on their day or holds it in its window. "
            "The images' dates are moved: are those of the tables (move-dates)?"
        )


def _check_study(folder: Path) -> None:
    if not (folder / "study.toml").is_file():
        raise study_error(
            file=folder, found="a folder without study.toml", expected="the folder of the study",
            remedy="Correct the path, or begin with a study.toml there",
        )  # fmt: skip


def _study(folder: Path) -> Study | None:
    try:
        return read_study(folder)
    except StudyError as error:
        count = counted(len(error.problems), "problem")
        print(f"The study has {count}, so no visit is proposed: python -m cohortlib check {folder}")
        return None


def _write_images(source: Path, target: Path, key: Path) -> pd.DataFrame:
    total = sum(len(files) for _, _, files in os.walk(source)) or 1
    with progress_bar("De-identifying", total) as advance:
        return write_deidentified(source, target, key=key, done=advance)
