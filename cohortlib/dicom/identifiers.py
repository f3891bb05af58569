"""What in a header names or numbers a person: looked for in files that should have none of it."""

from __future__ import annotations

from collections.abc import Collection
from os import PathLike
from typing import Any

from pydicom.dataset import Dataset

from cohortlib.dicom.elements import is_given, label
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
    """Problems of a header that identifies somebody; the values are not repeated."""
    known = {patient_id.upper() for patient_id in patient_ids or ()}
    wrong = {keyword: "no value" for keyword in _MUST_BE_EMPTY if is_given(dataset, keyword)}
    for keyword in _STUDY_NUMBER:
        if is_given(dataset, keyword) and _plain_text(dataset, keyword) not in known:
            wrong[keyword] = "no value, or the patient_id of a patient of the study"
    problems = [
        problem(
            file=name, column=label(keyword), found="a value that identifies", expected=expected,
            remedy="Write the image with write_deidentified, and remove this file",
        )
        for keyword, expected in wrong.items()
    ]  # fmt: skip
    private = sum(tag.is_private for tag in dataset.keys())  # noqa: SIM118  (a Dataset is no mapping)
    if private:
        problems.append(
            problem(
                file=name, column="private elements", found=f"{private} elements of unknown meaning",
                expected="none", remedy="Write the image with write_deidentified, and remove this file",
            )
        )  # fmt: skip
    return problems


def _plain_text(dataset: Dataset, keyword: str) -> str:
    """The value in capitals; a name of one part may end with the marks of the parts that it lacks."""
    try:
        return str(dataset[keyword].value).strip("\0 ^").upper()
    except Exception:  # a header may hold anything
        return "?"
