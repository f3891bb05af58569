"""What the archive has of the patients, days and kinds that were asked for (QIDO-RS)."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

import requests
from dicomweb_client.web import DICOMwebClient

from cohortlib.dicom.archive.connection import TooLarge
from cohortlib.errors import StudyError, study_error

_PAGE = 200
#: An archive that goes on answering for ever is broken; a study has fewer images.
_MOST_ANSWERS = 1_000_000
_UID = re.compile(r"[0-9][0-9.]{0,63}")
_TAGS = {
    "patient_id": "00100020",
    "study_date": "00080020",
    "modality": "00080060",
    "study_uid": "0020000D",
    "series_uid": "0020000E",
    "instance_uid": "00080018",
    "counted": "00201209",  # Number of Series Related Instances
}


class Instance(NamedTuple):
    """One image in the archive, as its answers name it; `instance_uid` is "" where it counts one more."""

    patient_id: str
    study_date: str
    modality: str
    study_uid: str
    series_uid: str
    instance_uid: str


def instances_in_archive(
    client: DICOMwebClient,
    *,
    patient_ids: Sequence[str],
    dates: tuple[datetime.date, datetime.date] | None,
    modalities: Sequence[str],
) -> list[Instance]:
    """Every image of the patients, from the first to the last day, of one of the modalities.

    Parameters
    ----------
    client
        Of the archive.
    patient_ids
        Hospital numbers; empty = any patient.
    dates
        First and last day; None = any day.
    modalities
        Such as "DX"; empty = any.

    Raises
    ------
    StudyError
        If nothing is asked for in particular, a number is a pattern, or the archive does not answer.
    """
    _check_question(patient_ids, dates, modalities)
    question: dict[str, Any] = {}
    if dates:
        question["StudyDate"] = "-".join(day.strftime("%Y%m%d") for day in dates)
    wanted = {modality.upper() for modality in modalities}
    found: dict[str, Instance] = {}
    for patient_id in patient_ids or [""]:
        person = {"PatientID": patient_id} if patient_id else {}
        for study in _answers(client.search_for_studies, "study_uid", {**question, **person}):
            # An archive may ignore what it was asked; images of another patient are never fetched.
            if patient_id and study["patient_id"] != patient_id:
                continue
            uid = study["study_uid"]
            for series in _answers(client.search_for_series, "series_uid", {}, study_instance_uid=uid):
                if not wanted or series["modality"].upper() in wanted:
                    for instance in _instances(client, study, series):
                        found[instance.instance_uid or instance.series_uid] = instance
    return sorted(found.values())


def _instances(client: DICOMwebClient, study: dict[str, str], series: dict[str, str]) -> Iterator[Instance]:
    uids = {"study_instance_uid": study["study_uid"], "series_instance_uid": series["series_uid"]}
    answers = _answers(client.search_for_instances, "instance_uid", {}, **uids)
    named = [answer["instance_uid"] for answer in answers]
    if series["counted"].isdecimal() and len(named) < int(series["counted"]):
        named.append("")  # an archive that does not know pages gives the first of them again and again
    for instance_uid in named:
        yield Instance(
            study["patient_id"],
            study["study_date"],
            series["modality"],
            study["study_uid"],
            series["series_uid"],
            instance_uid,
        )


def _answers(
    search: Callable[..., Any], key: str, filters: dict[str, Any], **uids: str
) -> list[dict[str, str]]:
    """All answers, page by page; ends when a page brings nothing new."""
    found: dict[str, dict[str, str]] = {}
    while len(found) < _MOST_ANSWERS:
        with archive_failures("a search"):
            page = search(search_filters=filters, limit=_PAGE, offset=len(found), **uids)
            plain = [{name: _value(answer, tag) for name, tag in _TAGS.items()} for answer in page]
        new = {answer[key]: answer for answer in plain if answer[key] not in found}
        if not all(_UID.fullmatch(uid) for uid in new):
            raise _not_understood("an answer without a UID")
        found |= new
        if not new:  # a short page may only be the most that this archive gives at a time
            return list(found.values())
    raise _not_understood("an archive that never comes to an end")


@contextmanager
def archive_failures(what: str) -> Iterator[None]:
    """Make every failure of the connection or of an answer a `StudyError` without address or number."""
    try:
        yield
    except StudyError:
        raise
    except TooLarge as error:
        raise _not_understood("an answer that is larger than any image") from error
    except requests.TooManyRedirects as error:
        raise _not_understood("an archive that points to another address") from error
    except requests.HTTPError as error:
        status = "no status" if error.response is None else f"status {error.response.status_code}"
        raise _not_understood(f"an archive that refuses {what} ({status})") from None
    except requests.JSONDecodeError:
        raise _not_understood("an answer that cannot be understood (no JSON)") from None
    except requests.RequestException as error:
        raise _not_understood(f"no connection ({type(error).__name__})") from None
    except Exception as error:  # an answer may be anything
        raise _not_understood(f"an answer that cannot be understood ({type(error).__name__})") from None


def _value(answer: Any, tag: str) -> str:
    """The first value of an element in DICOM JSON (PS3.18, F.2); "" if it has none."""
    values = answer.get(tag, {}).get("Value") or [""]
    return str(values[0]).strip()


def _not_understood(found: str) -> StudyError:
    return study_error(
        file="archive",
        found=found,
        expected="an archive that answers as DICOM PS3.18 says",
        remedy="Check address and credentials, and ask who runs the archive",
    )


def _check_question(
    patient_ids: Sequence[str],
    dates: tuple[datetime.date, datetime.date] | None,
    modalities: Sequence[str],
) -> None:
    found, expected = "", "patients, first and last day, or modalities"
    if not (patient_ids or dates or modalities):
        found = "a request for the whole archive"
    elif any(not number.strip() or re.search(r"[*?\\]", number) for number in patient_ids):
        # The standard's wildcards would bring other people's images.
        found, expected = "a patient number that is empty or a pattern", "whole hospital numbers"
    elif dates and dates[0] > dates[1]:
        found, expected = "a last day before the first", "the first day, then the last"
    elif any(not re.fullmatch(r"[A-Za-z]{2,16}", modality) for modality in modalities):
        found, expected = "a modality that is none", "such as DX, CR or CT"
    if found:
        raise study_error(
            column="patient_ids, dates, modalities", found=found, expected=expected,
            remedy="Ask for what the study needs, and for nothing else",
        )  # fmt: skip
