"""One image from the hospital → the same picture without identity, and the bytes of its file."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

from pydicom import dcmwrite
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import (
    ExplicitVRLittleEndian,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLSNearLossless,
)

from cohortlib.dicom.decoding import stored_values
from cohortlib.dicom.deidentification.elements import ALLOWED_CLASSES
from cohortlib.dicom.deidentification.header import deidentified_header, patient_of
from cohortlib.dicom.deidentification.key import Key
from cohortlib.dicom.deidentification.leftovers import remove_leftovers
from cohortlib.dicom.deidentification.pixels import put_pixels
from cohortlib.dicom.elements import label, shown, word
from cohortlib.dicom.opening import read_dataset
from cohortlib.dicom.refusals import pixel_problems
from cohortlib.errors import StudyError, study_error

#: Who wrote the files: a number of our own, so that they do not depend on the version of a library.
_IMPLEMENTATION = "2.25.322247211381214819186738123610156961168"
#: Decoded, such pixels still are not those that were acquired (PS3.3, C.7.6.1.1.5).
_LOSSY = (JPEGBaseline8Bit, JPEGExtended12Bit, JPEGLSNearLossless)


def deidentified_image(path: Path, key: Key, *, name: str) -> tuple[Dataset, list[str]]:
    """The image without identity, and notes on what was left out of the elements that may stay.

    Raises
    ------
    StudyError
        If the file is no image that is known to hold nothing but a picture, is damaged, or its patient
        is not in the key.
    """
    original = read_dataset(path, name=name)
    sop_class = word(original, "SOPClassUID")
    if sop_class not in ALLOWED_CLASSES:
        raise study_error(
            file=name,
            column=label("SOPClassUID"),
            found=shown([sop_class]) or "no value",
            expected="a radiograph or a CT image: what else a file may hold is not known",
            remedy="Take the file out",
        )
    patient_of(original, key, name=name)
    problems = pixel_problems(original, name)
    if problems:
        raise StudyError(problems)
    values = stored_values(original, name=name)
    new, notes = deidentified_header(original, key, name=name)
    notes += remove_leftovers(original, new)
    if original.file_meta.TransferSyntaxUID in _LOSSY:
        new.LossyImageCompression = "01"
    put_pixels(new, values)
    return new, notes


def file_content(dataset: Dataset) -> bytes:
    """The bytes of a file with nothing but the data set: an empty preamble, no names of senders."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = _IMPLEMENTATION
    meta.ImplementationVersionName = "COHORTLIB"
    dataset.file_meta = meta
    dataset.preamble = b"\0" * 128
    stream = BytesIO()
    dcmwrite(stream, dataset, enforce_file_format=True, implicit_vr=False, little_endian=True)
    return stream.getvalue()
