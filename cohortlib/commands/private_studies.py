"""What is known of the studies in a folder: whether they are invented, and who their patients are."""

from __future__ import annotations

import posixpath
import tomllib
from collections.abc import Mapping
from pathlib import Path

from cohortlib.commands.private_tables import birth_years, patient_ids
from cohortlib.commands.tracked import shared_files

_DEFINITION = "study.toml"


class KnownStudy:
    """What is known of a study: whether it is invented, and its patients."""

    def __init__(self) -> None:
        self.synthetic = True
        self.patients: set[str] = set()
        self.born: dict[str, str] = {}


def known_studies(place: Path) -> dict[str, KnownStudy]:
    """Folder of each study → what is known of it; one version that is not invented decides."""
    studies: dict[str, KnownStudy] = {}
    for path, data, _ in shared_files(place, lambda path: posixpath.basename(path) == _DEFINITION):
        study = studies.setdefault(posixpath.dirname(path), KnownStudy())
        study.synthetic = study.synthetic and data is not None and _is_synthetic(data)
    for path, data, _ in shared_files(place, lambda path: path.endswith("tables/patients.csv")):
        known = studies.get(posixpath.dirname(posixpath.dirname(path)))
        if known is not None and data is not None:
            known.patients |= patient_ids(data)
            known.born |= birth_years(data)
    return studies


def _is_synthetic(definition: bytes) -> bool:
    try:
        return tomllib.loads(definition.decode("utf-8-sig")).get("synthetic") is True
    except (ValueError, RecursionError):
        return False


def study_of(path: str, studies: Mapping[str, KnownStudy]) -> str | None:
    """The folder of the study that a file lies in, or None."""
    folder = posixpath.dirname(path)
    while folder not in studies:
        if not folder:
            return None
        folder = posixpath.dirname(folder)
    return folder


def is_invented(place: Path, path: str, studies: Mapping[str, KnownStudy]) -> bool | None:
    """Whether the study at a path or around it is invented; None if there is none."""
    while True:
        folder = "" if path == "." else path
        if folder in studies:
            return studies[folder].synthetic
        try:
            return _is_synthetic((place / folder / _DEFINITION).read_bytes())
        except (OSError, ValueError):
            pass
        if path in (".", "..") or path.endswith("/.."):
            return None
        path = posixpath.dirname(path) or "."
