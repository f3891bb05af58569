"""The last look before writing: whether an original identifier still stands in the new header.

The allow-list lets short texts such as the scanner's model through. A hospital that writes a name or a
number into one of them is found here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any

from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.multival import MultiValue

from cohortlib.dicom.deidentification.elements import KEPT
from cohortlib.dicom.deidentification.header import is_of_the_standard
from cohortlib.dicom.elements import items, label

#: Elements whose whole value identifies, besides names, dates and UIDs wherever they stand.
_IDENTIFYING = """
    PatientID OtherPatientIDs IssuerOfPatientID AccessionNumber StudyID AdmissionID MedicalRecordLocator
    PatientAddress PatientTelephoneNumbers InstitutionName InstitutionAddress InstitutionalDepartmentName
    StationName DeviceSerialNumber DetectorID PlateID CassetteID RequestedProcedureID
    ScheduledProcedureStepID PerformedProcedureStepID ServiceEpisodeID RegionOfResidence
    """.split()  # noqa: SIM905  (a list to be read)
#: Shorter ones are found everywhere by chance: letters of a name, of an id, and of either within a word.
_SHORTEST_NAME, _SHORTEST_ID, _SHORTEST_WITHIN = 3, 4, 6
_DIGITS = re.compile(rf"\d{{{_SHORTEST_WITHIN},}}")
_UID = re.compile(r"\d+(\.\d+)+")
_DATE = re.compile(r"(\d{4})(\d{2})(\d{2})")
_DEEPEST = 16
_READ = ("PN", "DA", "DT", "UI", "LO", "SH", "ST", "LT", "UT", "UC", "CS", "IS")


def remove_leftovers(original: Dataset, new: Dataset) -> list[str]:
    """Take out of the new header what holds an identifier of the original; a note for each element.

    Notes
    -----
    Looked for in every text and number that the allow-list kept: parts of every person's name from three
    letters on; dates, however they are written; UIDs; and from four letters on the hospital's numbers,
    institution, station and serial numbers. Capitals do not count. A word is found as a word, from six
    letters on within another word too. In numbers runs of at least six digits are looked for, so that a
    distance of 1150 mm does not look like patient 1150.
    """
    words = set(original_identifiers(original))
    digits = {run for word in words if not _UID.fullmatch(word) for run in _DIGITS.findall(word)}
    text, number = _pattern(words), _within(digits)
    notes = []
    for tag, keyword in KEPT.items():
        if tag not in new or keyword == "SOPClassUID":
            continue
        written = str(new[tag].value).casefold()
        if number.search(written) or (new[tag].VR not in ("DS", "IS") and text.search(written)):
            del new[tag]
            notes.append(f"{label(keyword)} held an identifier: removed")
    return notes


def original_identifiers(dataset: Dataset) -> Iterator[str]:
    """Every identifier of a header and of the sequences in it, in small letters."""
    for element in _elements(dataset, depth=0):
        try:
            texts = [str(value).strip("\0 ").casefold() for value in _values(element.value)]
        except Exception:  # a header may hold anything
            continue
        for text in texts:
            if element.VR == "PN":
                yield from (part for part in re.findall(r"\w+", text) if len(part) >= _SHORTEST_NAME)
            elif element.VR in ("DA", "DT"):
                yield from _dates(text)
            elif element.VR == "UI":
                yield from (part for part in (text,) if part and not is_of_the_standard(part))
            elif element.keyword in _IDENTIFYING and len(text) >= _SHORTEST_ID:
                yield text


def _dates(text: str) -> Iterator[str]:
    """A date as in a header, and as people write it."""
    if found := _DATE.match(text):
        year, month, day = found.groups()
        yield found[0]
        yield from (f"{year}-{month}-{day}", f"{day}.{month}.{year}", f"{day}/{month}/{year}")
        yield from (f"{month}/{day}/{year}", f"{day}-{month}-{year}", f"{year}/{month}/{day}")


def _elements(dataset: Dataset, depth: int) -> Iterator[DataElement]:
    for tag in sorted(dataset.keys()):
        try:
            element = dataset[tag]
        except Exception:  # what cannot be parsed is not let through either
            continue
        if element.VR == "SQ" and depth < _DEEPEST:
            for item in items(dataset, element.keyword) if element.keyword else ():
                yield from _elements(item, depth + 1)
        elif element.VR in _READ:
            yield element


def _values(value: Any) -> Iterable[Any]:
    return value if isinstance(value, MultiValue) else (value,)


def _pattern(words: set[str]) -> re.Pattern[str]:
    """Finds the words as words, and the longer ones within others too."""
    longer = _within({word for word in words if len(word) >= _SHORTEST_WITHIN})
    if not words:
        return longer
    listed = "|".join(map(re.escape, sorted(words)))
    return re.compile(rf"(?<![^\W_])(?:{listed})(?![^\W_])|{longer.pattern}")


def _within(words: set[str]) -> re.Pattern[str]:
    return re.compile("|".join(map(re.escape, sorted(words))) or r"(?!)")
