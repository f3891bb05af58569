"""The list of patients: whose hospital number is whose study number. It never lies in a study."""

from __future__ import annotations

import csv
from io import StringIO
from pathlib import Path

from cohortlib.dicom.deidentification.private_place import private_place
from cohortlib.errors import StudyError, problem, study_error

COLUMNS = ("hospital_id", "patient_id")
_LARGEST_BYTES = 64 * 1024**2
_EXPECTED = "a CSV file with the columns hospital_id (Patient ID in the images) and patient_id (of the study)"


def read_patient_list(path: Path) -> dict[str, str]:
    """Hospital number → study number; no message repeats a hospital number.

    Raises
    ------
    StudyError
        If the list lies in a study or under version control, is no such list, or gives a patient two
        study numbers.
    """
    rows = _rows(private_place(path, what="a list of hospital numbers"))
    header = [cell.strip() for cell in rows[0]] if rows else []
    if any(header.count(name) != 1 for name in COLUMNS):
        raise study_error(
            file=path.name, line=1, found=f"a header without {' and '.join(COLUMNS)}", expected=_EXPECTED,
            remedy="Correct the header",
        )  # fmt: skip
    hospital, study = (header.index(name) for name in COLUMNS)
    patients: dict[str, str] = {}
    problems = []
    for line, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        both = [row[place].strip() if len(row) > place else "" for place in (hospital, study)]
        found = "a cell that is empty" if not all(both) else ""
        if not found and patients.setdefault(*both) != both[1]:
            found = "a hospital number that had another study number before"
        if found:
            problems.append(
                problem(file=path.name, line=line, found=found, expected=_EXPECTED, remedy="Correct the line")
            )
    if problems:
        raise StudyError(problems)
    if not patients:
        raise study_error(file=path.name, found="no patient", expected=_EXPECTED, remedy="Add the patients")
    return patients


def _rows(path: Path) -> list[list[str]]:
    found = "no such file"
    try:
        if path.is_file() and path.stat().st_size <= _LARGEST_BYTES:
            text = path.read_bytes().decode("utf-8-sig")
            separator = max(",;\t", key=text.partition("\n")[0].count)
            return list(csv.reader(StringIO(text, newline=""), delimiter=separator))
        found = "something that is no list" if path.exists() else found
    except UnicodeDecodeError:
        found = "a file that is not UTF-8"
    except (OSError, ValueError, csv.Error) as error:
        found = f"a list that cannot be read ({getattr(error, 'strerror', None) or 'no CSV file'})"
    raise study_error(
        file=path.name,
        found=found,
        expected=_EXPECTED,
        remedy="Correct the path, or save the list as CSV UTF-8",
    )
