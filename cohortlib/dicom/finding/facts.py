"""The wanted values of a header → the cells of its row."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from pydicom.config import IGNORE
from pydicom.uid import UID

from cohortlib.dicom.elements import label
from cohortlib.dicom.finding.columns import HEADER_COLUMNS, IMAGE_COLUMNS, Row
from cohortlib.dicom.finding.elements import TRANSFER_SYNTAX, WANTED
from cohortlib.dicom.finding.geometry import DECISIVE_TAGS, image_geometry
from cohortlib.dicom.finding.scan import Scan
from cohortlib.dicom.finding.values import Values

_IMPLICIT = b"1.2.840.10008.1.2"
_NATIVE = (_IMPLICIT, b"1.2.840.10008.1.2.1")
_ELEMENT_HEAD = 8  # tag and length; in explicit VR 4 more
_IDENTITY = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")
_KINDS = {
    wanted.keyword: (wanted.column, IMAGE_COLUMNS[wanted.column])
    for wanted in WANTED.values()
    if wanted.column
}
_TEXTS = [(keyword, column) for keyword, (column, kind) in _KINDS.items() if kind == "text"]
_NUMBERS = [(keyword, column) for keyword, (column, kind) in _KINDS.items() if kind == "number"]
_INTEGERS = [(keyword, column) for keyword, (column, kind) in _KINDS.items() if kind == "integer"]


def header_cells(scan: Scan, behind_header: int | None, notes: tuple[str, ...] = ()) -> Row:
    """A row of `HEADER_COLUMNS`.

    Parameters
    ----------
    scan
        The wanted values of the header.
    behind_header
        How many bytes the file has behind those that were walked, or None if the pixels are known to
        be whole.
    notes
        What was found on reading.
    """
    raw = scan.values
    syntax = raw.get(TRANSFER_SYNTAX, b"").rstrip(b"\0 ")
    values = Values(raw)
    geometry = image_geometry(tuple(map(raw.get, DECISIVE_TAGS)), syntax == _IMPLICIT)
    cells: dict[str, Any] = geometry._asdict()
    for keyword, column in _TEXTS:
        cells[column] = values.text(keyword)
    for keyword, column in _NUMBERS:
        cells[column] = values.number(keyword)
    for keyword, column in _INTEGERS:
        cells[column] = values.whole(keyword)
    cells["study_date"] = values.time("StudyDate")
    cells["acquired_at"] = values.time("AcquisitionDateTime") or values.time(
        "AcquisitionDate", "AcquisitionTime"
    )
    position_mm = values.numbers("ImagePositionPatient")
    if len(position_mm) == 3:
        cells["left_mm"], cells["posterior_mm"], cells["superior_mm"] = position_mm
    cells["sop_class"] = _meaning(values.stored("SOPClassUID"))
    cells["transfer_syntax"] = _meaning(syntax)
    missing = [label(keyword) for keyword in _IDENTITY if not values.stored(keyword).rstrip(b"\0 ")]
    if missing:
        cells["problem"] = f"no {missing[0]}: no image, or a damaged header"
    elif syntax in _NATIVE and behind_header is not None and behind_header < _pixel_bytes(values, cells):
        # Other elements may stand before the pixels, so a cut of a few bytes may not be seen.
        cells["problem"] = "a file that was cut short: fewer bytes than its pixels need"
    else:
        cells["problem"] = ""
    cells["note"] = "; ".join(dict.fromkeys((*geometry.notes, *values.notes, *notes)))
    return [cells.get(name) for name in HEADER_COLUMNS]


def _pixel_bytes(values: Values, cells: dict[str, Any]) -> float:
    """How many bytes an element with uncompressed pixels needs; 0 if the header has no such image."""
    if cells["photometric"].startswith(("YBR_FULL_4", "YBR_PARTIAL_4")):
        return 0  # colours of neighbouring pixels are shared
    samples, bits = values.number("SamplesPerPixel"), values.number("BitsAllocated")
    count = (
        (cells["rows"] or 0)
        * (cells["columns"] or 0)
        * (samples or 0)
        * (1 if cells["frames"] is None else cells["frames"])
        * (bits or 0)
        // 8
    )
    return count + _ELEMENT_HEAD if count else 0


@lru_cache(maxsize=1024)
def _meaning(uid: bytes) -> str:
    """What a UID of the standard stands for, in its words; another UID as it is."""
    text = uid.decode("ascii", "replace").strip("\0 ")[:64]
    return "".join(
        letter if letter.isprintable() else "?" for letter in UID(text, validation_mode=IGNORE).name
    )
