"""Rows that images.csv lacks, proposed from the headers of a study's images; a person decides on them."""

from __future__ import annotations

import posixpath
import re

import pandas as pd

from cohortlib.study.timeline import first_surgery
from cohortlib.tables import DICTIONARY, Study

#: Modality in the header → kind of examination.
_KINDS = {"CR": "radiograph", "DX": "radiograph", "RG": "radiograph", "OT": "radiograph", "CT": "CT"}
_SIDES = {"L": "left", "R": "right"}
_OF_ONE_HIP = ("AP hip", "lateral hip")
_NUMBER = re.compile(r"I(\d{1,9})")


def proposed_rows(images: pd.DataFrame, study: Study | None, *, below: str) -> pd.DataFrame:
    """One row of images.csv for each radiograph and each CT series that it does not name yet.

    Parameters
    ----------
    images
        As `find_images` gives them, of the study's folder of images.
    study
        Its tables; None if they cannot be read, and then no visit is proposed.
    below
        That folder below the study folder, such as "images".

    Returns
    -------
    DataFrame
        The columns of images.csv, in the order of patient and day. What the header does not say is
        empty, and `check` asks for it; sha256 is always empty.

    Notes
    -----
    The visit is the patient's visit of that day; else the one visit of the schedule whose window holds
    the day, counted from the first operation, and then `taken_on` says the day; else it is left empty.
    """
    usable = images[images["problem"] == ""].assign(path=below + "/" + images["path"])
    ct = usable["modality"] == "CT"
    slices = usable[ct].assign(path=usable.loc[ct, "path"].map(posixpath.dirname))
    rows = pd.concat([usable[~ct], slices.drop_duplicates("path")])
    known = set() if study is None else set(study.images["path"])
    rows = rows[~rows["path"].isin(known)].sort_values(
        ["patient_id", "study_date", "path"], ignore_index=True
    )
    visits = [
        _visit(study, patient, day)
        for patient, day in zip(rows["patient_id"], rows["study_date"], strict=True)
    ]
    first = 1 + max((0, *_numbers(study)))
    one_hip = rows["view"].isin(_OF_ONE_HIP)
    table = pd.DataFrame(
        {
            "image_id": [f"I{number:04d}" for number in range(first, first + len(rows))],
            "patient_id": rows["patient_id"],
            "visit_id": [visit for visit, _ in visits],
            "kind": rows["modality"].map(_KINDS).fillna(""),
            "view": rows["view"].where(rows["modality"] != "CT", ""),
            "position": rows["position"],
            "path": rows["path"],
            "side": rows["laterality"].map(_SIDES).fillna("").where(one_hip, ""),
            "examination": "",
            "taken_on": [day for _, day in visits],
            "sha256": "",
        },
        dtype="str",
    )
    return table[list(DICTIONARY["images"])]


def _visit(study: Study | None, patient: str, day: pd.Timestamp) -> tuple[str, str]:
    """The visit of an examination, and its day if that is not the visit's; "" where it is not clear."""
    if pd.isna(day):
        return "", ""
    taken_on = f"{day:%Y-%m-%d}"
    if study is None:
        return "", taken_on
    visits = study.visits[study.visits["patient_id"].astype("str") == patient]
    same = visits.loc[visits["date"] == day, "visit_id"].astype("str")
    if len(same) == 1:
        return same.iloc[0], ""
    surgery = first_surgery(study.hips)
    if patient not in surgery.index:
        return "", taken_on
    days = (day - surgery[patient]).days
    windows = study.schedule
    fits = windows[(windows["earliest_days"] <= days) & (days <= windows["latest_days"])]
    return (str(fits["visit_id"].iloc[0]) if len(fits) == 1 else ""), taken_on


def _numbers(study: Study | None) -> list[int]:
    """The numbers of the images that are known, as far as their ids are written in this way."""
    ids = [] if study is None else list(study.images["image_id"].astype("str"))
    return [int(found[1]) for name in ids if (found := _NUMBER.fullmatch(name))]
