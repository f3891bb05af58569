"""Where an image lies in a folder of images: patient, day, series, image."""

from __future__ import annotations

import hashlib
import re

#: Letters that are the same on every file system.
_PLAIN = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_-]{0,63}")
_DATE = re.compile(r"\d{8}", re.ASCII)


def image_place(
    *, patient_id: str, study_date: str, modality: str, series_uid: str, instance_uid: str
) -> str:
    """The path of an image below a folder, such as `P001/2030-02-21/DX_5f0c…/8a17….dcm`.

    Parameters
    ----------
    patient_id
        Kept if it is a plain word; anything else is replaced by the beginning of its SHA-256.
    study_date
        As in a header: year, month and day in eight digits; anything else is "undated".
    modality
        As in a header; left out if it is no plain word.
    series_uid, instance_uid
        Replaced by the beginning of their SHA-256: a UID may be as long as 64 letters, and a path that
        holds three of them is too long for some systems.
    """
    patient = patient_id if _PLAIN.fullmatch(patient_id) else f"id_{_digest(patient_id, 16)}"
    dated = _DATE.fullmatch(study_date)
    day = f"{study_date[:4]}-{study_date[4:6]}-{study_date[6:]}" if dated else "undated"
    kind = f"{modality}_" if _PLAIN.fullmatch(modality) else ""
    return f"{patient}/{day}/{kind}{_digest(series_uid, 16)}/{_digest(instance_uid, 24)}.dcm"


def _digest(text: str, length: int) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:length]
