"""The wanted values of a header that is written in an unusual way, read by pydicom."""

from __future__ import annotations

from io import BytesIO

from pydicom import dcmwrite
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from cohortlib.dicom.elements import label, word
from cohortlib.dicom.finding.elements import TRANSFER_SYNTAX, WANTED
from cohortlib.dicom.finding.noting import noted_by_one
from cohortlib.dicom.finding.scan import Scan, scanned
from cohortlib.dicom.opening import guarded, read_dataset
from cohortlib.errors import study_error


def pydicom_scan(path: str) -> tuple[Scan, int | None, tuple[str, ...]]:
    """The wanted values as `scanned` gives them, no length of what follows them, and notes.

    Raises
    ------
    StudyError
        If the file is too large for this way, damaged or cut short.
    """
    notes: list[str] = []
    with noted_by_one(notes):
        dataset = read_dataset(path, name=path)
        syntax = word(getattr(dataset, "file_meta", Dataset()), "TransferSyntaxUID")
        content = _written_plainly(_wanted_elements(dataset, notes))
    scan = scanned(content)
    if scan is None:
        raise study_error(
            file=path,
            found="a header that cannot be understood",
            expected="a header that follows the DICOM standard",
            remedy="Export the image again from the archive",
        )
    scan.values[TRANSFER_SYNTAX] = syntax.encode("ascii", "replace")
    return scan, None, tuple(notes)


def _wanted_elements(dataset: Dataset, notes: list[str]) -> Dataset:
    wanted = Dataset()
    for tag, (keyword, vr, _) in WANTED.items():
        if tag not in dataset:
            continue
        try:
            element = dataset[tag]
            if element.VR != vr.decode():  # noqa: SIM300
                raise ValueError
            _written_plainly(Dataset({element.tag: element}))
        except Exception:  # a value is parsed when it is asked for, and may be anything
            notes.append(f"{label(keyword)} cannot be understood: not used")
        else:
            wanted.add(element)
    return wanted


def _written_plainly(dataset: Dataset) -> bytes:
    """The elements as a file in explicit VR little endian."""
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    stream = BytesIO()
    with guarded(""):
        stream.write(b"\0" * 128 + b"DICM")
        dcmwrite(stream, dataset, implicit_vr=False, little_endian=True)
    return stream.getvalue()
