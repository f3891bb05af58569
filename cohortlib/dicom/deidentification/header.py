"""The new header: what the allow-list lets through of the old one, and what PS3.15 wants to be said."""

from __future__ import annotations

import datetime
import re
from typing import Any

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import UID_dictionary

from cohortlib.dicom.deidentification.codes import cleaned_codes
from cohortlib.dicom.deidentification.elements import (
    CODED,
    EMPTIED,
    KEPT,
    LOOKUP,
    REMAPPED,
    SHIFTED,
)
from cohortlib.dicom.deidentification.key import Key
from cohortlib.dicom.deidentification.lookups import clean_lookup
from cohortlib.dicom.elements import items, label, word
from cohortlib.errors import StudyError, problem, study_error

#: DICOM PS3.16, CID 7050. Times of day are removed, as the profile without the option wants it.
_METHODS = {
    "113100": "Basic Application Confidentiality Profile",
    "113107": "Retain Longitudinal Temporal Information Modified Dates Option",
    "113101": "Clean Pixel Data Option",
}
#: Without these nobody can say which image this is.
_NEEDED = ("SOPInstanceUID", "SeriesInstanceUID", "StudyInstanceUID")
_CODED_WORD = re.compile(r"[A-Z0-9 _]{0,16}")
_SHORT_TEXT = re.compile(r"[A-Za-z0-9 .,:;/_+()&%#*-]{0,64}")
_DATE = re.compile(r"\d{8}")
_EARLIEST = datetime.date(1900, 1, 1)


def deidentified_header(dataset: Dataset, key: Key, *, name: str) -> tuple[Dataset, list[str]]:
    """A header of allowed elements only, without pixels, and notes on what was left out of those.

    Parameters
    ----------
    dataset
        The original; it is not changed.
    key
        Must know the patient.
    name
        File name for messages.

    Raises
    ------
    StudyError
        If an identifier or the patient is missing, or a lookup table is damaged.
    """
    hospital_id = patient_of(dataset, key, name=name)
    _check_uids(dataset, name=name)
    new = Dataset()
    notes: list[str] = []
    for tag, keyword in KEPT.items():
        if tag in dataset and (element := _kept(dataset, keyword, notes)) is not None:
            new.add(element)
    for tag, keyword in REMAPPED.items():
        original = word(dataset, keyword)
        if original:
            setattr(new, keyword, original if is_of_the_standard(original) else key.uid(original))
        elif tag in dataset:
            setattr(new, keyword, "")
    for tag, keyword in SHIFTED.items():
        if tag in dataset:
            setattr(new, keyword, _shifted(dataset, keyword, hospital_id, key, notes))
    for tag, keyword in EMPTIED.items():
        if tag in dataset:
            setattr(new, keyword, Sequence() if keyword.endswith("Sequence") else "")
    for tag, keyword in CODED.items():
        if tag in dataset:
            cleaned, left_out = cleaned_codes(dataset, keyword)
            setattr(new, keyword, cleaned)
            if left_out:
                notes.append(f"{label(keyword)}: {left_out} code that is not of the standard removed")
    for tag, keyword in LOOKUP.items():
        if tag in dataset:
            setattr(new, keyword, Sequence(clean_lookup(item, name=name) for item in items(dataset, keyword)))
    new.PatientID = new.PatientName = key.patients[hospital_id][0]
    for keyword in ("PatientBirthDate", "PatientSex", "AccessionNumber", "StudyID", "ReferringPhysicianName"):
        setattr(new, keyword, "")
    if "StudyTime" not in new:
        new.StudyTime = ""
    add_method(new, "113100", "113107")
    return new, notes


def add_method(dataset: Dataset, *codes: str) -> None:
    """Say in the header that, and how, identity was removed (PS3.15 E.1.1)."""
    dataset.PatientIdentityRemoved = "YES"
    dataset.DeidentificationMethod = ["Allow-list of elements", "Dates moved, times removed"]
    dataset.LongitudinalTemporalInformationModified = "MODIFIED"
    known = [word(item, "CodeValue") for item in items(dataset, "DeidentificationMethodCodeSequence")]
    sequence = Sequence()
    for code in dict.fromkeys((*known, *codes)):
        item = Dataset()
        item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = code, "DCM", _METHODS[code]
        sequence.append(item)
    dataset.DeidentificationMethodCodeSequence = sequence


def patient_of(dataset: Dataset, key: Key, *, name: str) -> str:
    """The hospital number of an image's patient, as the key has it; no message repeats it.

    Raises
    ------
    StudyError
        If the image names no patient, or one that the key does not know.
    """
    try:
        stated = str(dataset.get("PatientID") or "").strip("\0 ")
    except Exception:  # a header may hold anything
        stated = ""
    if stated in key.patients:
        return stated
    raise study_error(
        file=name,
        column=label("PatientID"),
        found="a patient whom the key does not know" if stated else "no patient",
        expected="the hospital number of a patient of the study",
        remedy="Add the patient to the key with write_key, or take the file out",
    )


def _check_uids(dataset: Dataset, *, name: str) -> None:
    missing = [keyword for keyword in _NEEDED if not word(dataset, keyword)]
    if missing:
        raise StudyError(
            problem(
                file=name, column=label(keyword), found="no value", expected="the number of the image in it",
                remedy="Export the image again from the archive",
            )
            for keyword in missing
        )  # fmt: skip


def _kept(dataset: Dataset, keyword: str, notes: list[str]) -> Any:
    """The element if its value looks as it must, or None with a note."""
    try:
        element = dataset[keyword]
        values = element.value if element.VM > 1 else [element.value]
        if all(_is_plain(value, element.VR) for value in values):
            return element
    except Exception:  # a header may hold anything, and pydicom parses a value when it is asked for
        pass
    notes.append(f"{label(keyword)} is not written as it must be: removed")
    return None


def _is_plain(value: Any, vr: str) -> bool:
    if value is None or value == "":
        return True
    if vr in ("DS", "IS", "US", "SS", "UL", "SL", "FL", "FD"):
        return bool(-1e15 < float(value) < 1e15)
    if vr == "UI":
        return is_of_the_standard(str(value))
    pattern = _CODED_WORD if vr == "CS" else _SHORT_TEXT
    return vr in ("CS", "SH", "LO") and pattern.fullmatch(str(value)) is not None


def is_of_the_standard(uid: str) -> bool:
    """Whether a UID is one of those that the standard lists, which identify nothing."""
    return uid in UID_dictionary


def _shifted(dataset: Dataset, keyword: str, hospital_id: str, key: Key, notes: list[str]) -> str:
    """The date moved; "" with a note if there stands no date."""
    stated = word(dataset, keyword)
    if not stated:
        return ""
    try:
        digits = stated[:8]
        if not (_DATE.fullmatch(digits) and digits.isascii()):
            raise ValueError
        original = datetime.date(int(digits[:4]), int(digits[4:6]), int(digits[6:]))
        moved = key.date(original, hospital_id)
        if original < _EARLIEST:
            raise ValueError
    except (ValueError, OverflowError):
        notes.append(f"{label(keyword)} is no date: removed")
        return ""
    return moved.strftime("%Y%m%d")
