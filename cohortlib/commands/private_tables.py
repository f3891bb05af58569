"""Tables that name or number a person: columns that say so, dates of birth, mail addresses in cells."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from io import StringIO
from typing import Any

from cohortlib.errors import problem

#: Columns that identify wherever they stand, in the languages of the files that reach a study.
_IDENTIFYING = frozenset(
    """
    patient_name patientname patient_first_name patient_last_name full_name fullname first_name firstname
    given_name forename last_name lastname family_name surname maiden_name middle_name birth_name
    nachname vorname familienname geburtsname nom_de_famille prenom apellido apellidos cognome efternamn
    birth_date birthdate date_of_birth dateofbirth dob birthday birth_day geburtsdatum geburtstag geboren
    date_de_naissance fecha_de_nacimiento data_di_nascita fodelsedatum
    e_mail email email_address phone phone_number telephone telefon mobile_phone
    home_address street_address postal_address wohnort
    medical_record_number mrn hospital_number hospital_id patient_number_hospital nhs_number ssn
    social_security_number national_id insurance_number insurance_id versichertennummer personnummer
    accession_number passport_number
    """.split()  # noqa: SIM905  (a list to be read)
)
#: Columns that identify in a table of patients; elsewhere they may name a landmark or a file.
_IDENTIFYING_PATIENTS = frozenset(
    """
    name names initials address adresse street strasse postcode postal_code zip zip_code plz city ort nom
    nombre mail mobile
    """.split()  # noqa: SIM905  (a list to be read)
)
_PATIENT_COLUMNS = frozenset({"patient_id", "hip_id", "subject_id", "participant_id"})
_MAIL = re.compile(r"[\w.+-]+@[\w-]+\.[a-z]{2,}", re.IGNORECASE)
_DATE = re.compile(
    r"(?P<year>\d{4})-\d{1,2}-\d{1,2}|\d{1,2}[./]\d{1,2}[./](?P<last>\d{4})|(?P<plain>\d{4})\d{4}"
)
_ENDINGS = (".csv", ".tsv")
_REMEDY = "Take the column out, and out of every earlier version of the file"


def is_table(path: str) -> bool:
    """Whether a file is a table by its name."""
    return path.lower().endswith(_ENDINGS)


def birth_years(data: bytes) -> dict[str, str]:
    """patient_id → birth_year of a table of patients; empty if it has no such columns."""
    header, rows = _rows(data)
    names = [_plain(name) for name in header]
    if "patient_id" not in names or "birth_year" not in names:
        return {}
    number, year = names.index("patient_id"), names.index("birth_year")
    return {row[number]: row[year] for row in rows if len(row) > max(number, year)}


def patient_ids(data: bytes) -> set[str]:
    """The patient_id of every row of a table."""
    header, rows = _rows(data)
    names = [_plain(name) for name in header]
    place = names.index("patient_id") if "patient_id" in names else len(names)
    return {row[place] for row in rows if len(row) > place}


def table_problems(
    data: bytes, *, name: str, in_study: bool, born: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Problems of a table that identifies somebody; the values are not repeated.

    Parameters
    ----------
    data
        The file as it is.
    name
        For messages.
    in_study
        Whether it lies in a study's `tables/`; a table elsewhere counts as one of patients if it has
        their ids.
    born
        patient_id → birth_year, as far as the study knows: a full date in the patient's own birth year
        is taken for the date of birth, since he comes to the study decades later.
    """
    header, rows = _rows(data)
    return rows_problems([header, *rows], name=name, in_study=in_study, born=born)


def rows_problems(
    table: list[list[str]], *, name: str, in_study: bool, born: Mapping[str, str]
) -> list[dict[str, Any]]:
    """As `table_problems`, of the header and the rows of a table."""
    header, rows = (table[0], table[1:]) if table else ([], [])
    names = [_plain(column) for column in header]
    of_patients = in_study or not _PATIENT_COLUMNS.isdisjoint(names)
    years = _birth_year_of_rows(names, rows, born)
    problems = []
    for place, column in enumerate(names):
        cells = [row[place].strip() if len(row) > place else "" for row in rows]
        if column in _IDENTIFYING or (of_patients and column in _IDENTIFYING_PATIENTS):
            wrong, found = [bool(cell) for cell in cells], "a column that identifies"
        elif of_patients and any(wrong := ["@" in cell and bool(_MAIL.search(cell)) for cell in cells]):
            found = "a mail address"
        elif of_patients:
            wrong = [_is_birth(cell, year) for cell, year in zip(cells, years, strict=True)]
            found = "a date in the birth year of its patient"
        else:
            continue
        if any(wrong):
            shown = "".join(letter if letter.isprintable() else "?" for letter in header[place][:60])
            problems.append(
                problem(
                    file=name, line=wrong.index(True) + 2, column=shown, found=found, count=sum(wrong),
                    expected="study numbers, and nothing that names, numbers or dates a person",
                    remedy=_REMEDY,
                )
            )  # fmt: skip
    return problems


def _birth_year_of_rows(names: list[str], rows: list[list[str]], born: Mapping[str, str]) -> list[str]:
    """The birth year of the patient of each row, as far as the study knows it; else ""."""
    if not born or "patient_id" not in names:
        return [""] * len(rows)
    place = names.index("patient_id")
    return [born.get(row[place], "") if len(row) > place else "" for row in rows]


def _is_birth(cell: str, year: str) -> bool:
    if len(cell) < 8 or not year:
        return False
    found = _DATE.fullmatch(cell[:10].strip())
    return found is not None and year in (found["year"], found["last"], found["plain"])


def _plain(column: str) -> str:
    """The name of a column in small letters with _ between words, without the study's own x_."""
    words = re.sub(r"([a-z])([A-Z])", r"\1_\2", column)
    return re.sub(r"[\W_]+", "_", words.casefold()).strip("_").removeprefix("x_")


def _rows(data: bytes) -> tuple[list[str], list[list[str]]]:
    """Header and rows, whatever separates the cells."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "windows-1252", "replace")
    first = text.partition("\n")[0]
    separator = max(",;\t|", key=first.count)
    try:
        rows = list(csv.reader(StringIO(text, newline=""), delimiter=separator))
    except csv.Error:  # a cell of more letters than any table has
        rows = [line.split(separator) for line in text.splitlines()]
    return (rows[0], rows[1:]) if rows else ([], [])
