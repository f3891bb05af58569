"""What in a header names or numbers a person: looked for in files that should have none of it."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from os import PathLike
from typing import Any

from pydicom.datadict import dictionary_VR, keyword_for_tag
from pydicom.dataset import Dataset

from cohortlib.dicom.elements import is_given, items, label
from cohortlib.dicom.opening import read_dataset, warnings_noted
from cohortlib.errors import StudyError, problem

#: Elements that must be empty. The birth year, sex and size belong in the tables, not in the images.
_MUST_BE_EMPTY = """
    PatientBirthDate PatientBirthTime PatientBirthName PatientMotherBirthName OtherPatientIDs
    OtherPatientIDsSequence OtherPatientNames PatientAddress PatientTelephoneNumbers
    PatientTelecomInformation PatientInsurancePlanCodeSequence MedicalRecordLocator MilitaryRank
    BranchOfService CountryOfResidence RegionOfResidence EthnicGroup Occupation PatientReligiousPreference
    AdditionalPatientHistory ResponsiblePerson ResponsibleOrganization IssuerOfPatientID AccessionNumber
    InstitutionName InstitutionAddress InstitutionalDepartmentName ReferringPhysicianName
    ReferringPhysicianAddress ReferringPhysicianTelephoneNumbers PerformingPhysicianName
    PhysiciansOfRecord NameOfPhysiciansReadingStudy RequestingPhysician OperatorsName
    ScheduledPerformingPhysicianName AdmissionID IssuerOfAdmissionID CurrentPatientLocation
    PatientInstitutionResidence
""".split()  # noqa: SIM905  (a list to be read)
#: These may hold the study's own number, and nothing else.
_STUDY_NUMBER = ("PatientName", "PatientID")
_DEEPEST = 16
_REMEDY = "Write the image with write_deidentified, and remove this file"


def identifier_problems(
    path: str | PathLike[str], *, name: str, patient_ids: Collection[str] | None
) -> list[dict[str, Any]]:
    """Problems of a DICOM file whose header identifies somebody; the values are not repeated.

    Parameters
    ----------
    path
        The file.
    name
        File name for messages.
    patient_ids
        The study's patients; None if they are not known, and then any name or number is a problem.
    """
    try:
        with warnings_noted([]):
            dataset = read_dataset(path, name=name)
            return header_identifiers(dataset, name=name, patient_ids=patient_ids)
    except StudyError as error:
        return problem_rows(error)


def problem_rows(error: StudyError) -> list[dict[str, Any]]:
    """The problems of an error, to be collected with others."""
    return error.problems.astype(object).to_dict("records")  # type: ignore[return-value]


def header_identifiers(
    dataset: Dataset, *, name: str, patient_ids: Collection[str] | None
) -> list[dict[str, Any]]:
    """Problems of a header, and of the sequences in it, that identify somebody; no value is repeated."""
    known = {patient_id.upper() for patient_id in patient_ids or ()}
    wrong: dict[str, str] = {}
    private = 0
    for place in (dataset, *_items(dataset, depth=0)):
        private += sum(tag.is_private for tag in place.keys())  # noqa: SIM118  (a Dataset is no mapping)
        for keyword in _named(place):
            if keyword not in _STUDY_NUMBER:
                wrong[keyword] = "no value"
            elif _plain_text(place, keyword) not in known:
                wrong[keyword] = "no value, or the patient_id of a patient of the study"
    problems = [
        problem(
            file=name, column=label(keyword), found="a value that identifies", expected=expected,
            remedy=_REMEDY,
        )
        for keyword, expected in wrong.items()
    ]  # fmt: skip
    if private:
        problems.append(
            problem(
                file=name, column="private elements", found=f"{private} elements of unknown meaning",
                expected="none", remedy=_REMEDY,
            )
        )  # fmt: skip
    return problems


def _named(dataset: Dataset) -> Iterator[str]:
    """The elements with a value that names or numbers somebody: those that are listed, and every name."""
    listed = (*_MUST_BE_EMPTY, *_STUDY_NUMBER)
    yield from (keyword for keyword in listed if is_given(dataset, keyword))
    for tag in dataset.keys():  # noqa: SIM118  (a Dataset is no mapping)
        keyword = keyword_for_tag(tag)
        if keyword and keyword not in listed and dictionary_VR(tag) == "PN" and is_given(dataset, keyword):
            yield keyword


def _items(dataset: Dataset, depth: int) -> Iterator[Dataset]:
    """Every item of every sequence that the standard knows."""
    for tag in dataset.keys():  # noqa: SIM118  (a Dataset is no mapping)
        keyword = keyword_for_tag(tag)
        if keyword and depth < _DEEPEST and dictionary_VR(tag) == "SQ":
            for item in items(dataset, keyword):
                yield item
                yield from _items(item, depth + 1)


def _plain_text(dataset: Dataset, keyword: str) -> str:
    """The value in capitals; a name of one part may end with the marks of the parts that it lacks."""
    try:
        return str(dataset[keyword].value).strip("\0 ^").upper()
    except Exception:  # a header may hold anything
        return "?"
