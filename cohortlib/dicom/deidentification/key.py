"""The key: the secret, whose number is whose, and by how many days each patient's dates are moved.

Whoever has the key can lead every image back to its patient. It lies outside the study folder, is
readable by its owner alone, and never becomes part of a message.
"""

from __future__ import annotations

import datetime
import hashlib
import hmac
import json
import os
import re
import secrets
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cohortlib.dicom.deidentification.private_place import private_place
from cohortlib.errors import study_error
from cohortlib.files import make_folder, write_whole
from cohortlib.tables.column import ID_PATTERN

KIND = "key of de-identified images"
_PATIENT_ID = re.compile(ID_PATTERN)
#: Dates are moved into the past, by at least and by less than so many days.
SHIFT_DAYS = (100, 3650)
_LARGEST_KEY_BYTES = 64 * 1024**2


@dataclass(frozen=True)
class Key:
    """A read key; it shows nothing of what it holds.

    Attributes
    ----------
    secret
        32 random bytes.
    patients
        Hospital number → study number and days (negative) to be added to dates.
    """

    secret: bytes = field(repr=False)
    patients: Mapping[str, tuple[str, int]] = field(repr=False)

    def uid(self, original: str) -> str:
        """The identifier that stands for an original one: 2.25 and 128 bits of a keyed digest."""
        digest = hmac.new(self.secret, b"uid:" + original.encode(), hashlib.sha256).digest()
        number = int.from_bytes(digest[:16], "big")
        # The bits that say "random UUID", as 2.25 wants one (DICOM PS3.5, B.2)
        number = number & ~(0xF000 << 64) & ~(0xC000 << 48) | (0x4000 << 64) | (0x8000 << 48)
        return f"2.25.{number}"

    def date(self, original: datetime.date, hospital_id: str) -> datetime.date:
        """A date of a patient, moved by his number of days."""
        return original + datetime.timedelta(days=self.patients[hospital_id][1])


def write_key(
    path: str | os.PathLike[str], patients: Mapping[str, str], *, study_folder: str | os.PathLike[str]
) -> Path:
    """Write a new key, or add patients to one; what is known of a patient is never changed.

    Parameters
    ----------
    path
        The key file, outside the study folder and outside every version-controlled folder. Its folder is
        made if it is not there.
    patients
        Number of the patient in the hospital's images, Patient ID (0010,0020) → `patient_id` of the study.
    study_folder
        Whose images are to be de-identified.

    Returns
    -------
    Path
        The key file; only its owner can read it.

    Raises
    ------
    StudyError
        If the key would lie within the study folder, a number is no id, a study number is a hospital
        number as well, or a patient has another study number already.

    Notes
    -----
    The same study number under two hospital numbers is one patient with one shift of dates. A patient
    whose number changed can so be added later.
    """
    place = private_place(Path(path), what="a key", study_folder=Path(study_folder))
    key = read_key(place, study_folder=study_folder) if os.path.lexists(place) else None
    known = dict(key.patients) if key else {}
    days_of = dict(known.values())
    for hospital_id, study_id in patients.items():
        _check_numbers(hospital_id, study_id, known, patients)
        if study_id not in days_of:
            days_of[study_id] = -(SHIFT_DAYS[0] + secrets.randbelow(SHIFT_DAYS[1] - SHIFT_DAYS[0]))
        known[hospital_id] = study_id, days_of[study_id]
    content = {
        "kind": KIND,
        "secret": (key.secret if key else secrets.token_bytes(32)).hex(),
        "patients": {
            hospital_id: {"patient_id": study_id, "shift_days": days}
            for hospital_id, (study_id, days) in known.items()
        },
    }
    make_folder(place.parent)
    write_whole(place, json.dumps(content, ensure_ascii=False, indent=1) + "\n", mode=0o600)
    return place


def read_key(path: str | os.PathLike[str], *, study_folder: str | os.PathLike[str]) -> Key:
    """The key in a file.

    Raises
    ------
    StudyError
        If it lies within the study folder, others may read it, or it is no key.
    """
    place = private_place(Path(path), what="a key", study_folder=Path(study_folder))
    found, remedy = "", "Give the file that write_key wrote"
    try:
        status = place.stat()
        if not stat.S_ISREG(status.st_mode) or status.st_size > _LARGEST_KEY_BYTES:
            found = "something that is no key file"
        elif os.name == "posix" and stat.S_IMODE(status.st_mode) & 0o077:
            found, remedy = "a key that others may read", "Take the permission away: chmod 600"
        else:
            return _key(json.loads(place.read_bytes()))
    except OSError as error:
        found = f"no key that can be read ({error.strerror})"
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        found = "a file that is no key"  # nothing of its content is repeated
    raise study_error(file=place.name, found=found, expected="the key of the study", remedy=remedy)


def _key(content: Any) -> Key:
    patients = {
        hospital_id: (row["patient_id"], row["shift_days"])
        for hospital_id, row in content["patients"].items()
    }
    secret = bytes.fromhex(content["secret"])
    right = (
        content["kind"] == KIND
        and len(secret) == 32
        and all(
            _PATIENT_ID.fullmatch(study_id) and isinstance(days, int) and -SHIFT_DAYS[1] <= days <= -1
            for study_id, days in patients.values()
        )
    )
    if not right:
        raise ValueError
    return Key(secret, patients)


def _check_numbers(
    hospital_id: str, study_id: str, known: Mapping[str, tuple[str, int]], patients: Mapping[str, str]
) -> None:
    """The messages repeat study numbers only."""
    found, expected = "", "an id: letters (a-z), digits, _ . and -, up to 64"
    if not _PATIENT_ID.fullmatch(study_id):
        found = study_id or "no study number"
    elif not hospital_id or hospital_id != hospital_id.strip("\0 "):
        found = f"no hospital number for {study_id}, or one with blanks at its ends"
        expected = "the Patient ID in the images"
    elif study_id in patients or study_id in known:
        found = f"{study_id}, which is a hospital number as well"
        expected = "study numbers that no hospital uses"
    elif known.get(hospital_id, (study_id,))[0] != study_id:
        found = f"{study_id} for a patient who is {known[hospital_id][0]} already"
        expected = "one study number a patient, that never changes"
    if found:
        raise study_error(
            file="key",
            column="patient_id",
            found=found,
            expected=expected,
            remedy="Correct the list of patients",
        )
