"""What is not a single grey radiograph is refused from its header, before any pixel is decoded."""

from __future__ import annotations

from typing import Any

from pydicom.dataset import Dataset
from pydicom.uid import UID

from cohortlib.dicom.elements import is_given, label, shown, whole, word, words
from cohortlib.errors import StudyError, problem

#: SOP classes that hold a projection radiograph (DICOM PS3.4 table B.5-1), and their short names.
RADIOGRAPH_CLASSES = {
    "1.2.840.10008.5.1.4.1.1.1": "computed radiography",
    "1.2.840.10008.5.1.4.1.1.1.1": "digital X-ray for presentation",
    "1.2.840.10008.5.1.4.1.1.1.1.1": "digital X-ray for processing",
    "1.2.840.10008.5.1.4.1.1.7": "secondary capture",
    "1.2.840.10008.5.1.4.1.1.7.2": "grey 8-bit secondary capture",
    "1.2.840.10008.5.1.4.1.1.7.3": "grey 16-bit secondary capture",
}
#: Modalities of a radiograph; a secondary capture may leave it open (empty, or OT: other).
RADIOGRAPH_MODALITIES = ("CR", "DX", "RG", "OT", "")
#: A long-leg film of 120 × 43 cm at 0.1 mm has 52 million pixels.
LARGEST_PIXELS = 64_000_000

_EXPORT_AGAIN = "Export the image again from the archive"


def check_radiograph(dataset: Dataset, *, name: str) -> None:
    """Refuse a data set that is not one grey radiograph.

    Raises
    ------
    StudyError
        With one problem if it is not a radiograph at all, else with every problem of its pixels.
    """
    problems = _kind_problems(dataset, name) or pixel_problems(dataset, name)
    if problems:
        raise StudyError(problems)


def _kind_problems(dataset: Dataset, name: str) -> list[dict[str, Any]]:
    meta = getattr(dataset, "file_meta", Dataset())
    sop_class = word(dataset, "SOPClassUID") or word(meta, "MediaStorageSOPClassUID")
    modality = word(dataset, "Modality")
    expected = "a radiograph: computed or digital radiography, or secondary capture"
    remedy = "Give the radiograph itself; take this file out of the images table"
    if sop_class not in RADIOGRAPH_CLASSES:
        keyword, found = "SOPClassUID", shown([UID(sop_class).name]) or "no SOP class"
    elif modality not in RADIOGRAPH_MODALITIES:
        keyword, found = "Modality", f"{RADIOGRAPH_CLASSES[sop_class]} of modality {shown([modality])}"
        expected += " of modality CR, DX, RG or OT"
    elif not is_given(dataset, "PixelData"):
        keyword, found, expected = "PixelData", "no pixel data", "an image"
        remedy = "Export the image again: this file holds a header only, or was cut short"
    elif not word(meta, "TransferSyntaxUID"):
        keyword, found, expected = "TransferSyntaxUID", "no value", "how the pixels are encoded"
        remedy = _EXPORT_AGAIN
    else:
        return []
    return [problem(file=name, column=label(keyword), found=found, expected=expected, remedy=remedy)]


def pixel_problems(dataset: Dataset, name: str) -> list[dict[str, Any]]:
    """Every problem of a header that does not describe one grey image; looked at before decoding."""
    grey = "Export the grey original, not a coloured screenshot"
    photometric = word(dataset, "PhotometricInterpretation")
    frames = whole(dataset, "NumberOfFrames") if is_given(dataset, "NumberOfFrames") else 1
    allocated, stored, high = (
        whole(dataset, "BitsAllocated"),
        whole(dataset, "BitsStored"),
        whole(dataset, "HighBit"),
    )
    rows, columns = whole(dataset, "Rows"), whole(dataset, "Columns")
    stored_right = 2 <= stored <= max(allocated, 8)
    size_right = rows * columns <= LARGEST_PIXELS
    again = _EXPORT_AGAIN
    rules = (
        ("PhotometricInterpretation", photometric in ("MONOCHROME1", "MONOCHROME2"), "a grey image", grey),
        ("SamplesPerPixel", whole(dataset, "SamplesPerPixel") == 1, "1, a grey image", grey),
        ("NumberOfFrames", frames == 1, "1, a single film", "Export the one frame to be measured"),
        ("PixelRepresentation", whole(dataset, "PixelRepresentation") in (0, 1), "0 or 1", again),
        ("BitsAllocated", allocated in (8, 16), "8 or 16", again),
        ("BitsStored", stored_right, "2 to Bits Allocated", again),
        ("HighBit", high == stored - 1, f"{stored - 1}, one less than Bits Stored", again),
        ("Rows", rows > 0, "a number of rows", again),
        ("Columns", columns > 0, "a number of columns", again),
        ("Rows", size_right, f"{columns} columns x rows of at most {LARGEST_PIXELS} pixels", again),
    )
    return [
        problem(
            file=name,
            column=label(keyword),
            found=shown(words(dataset, keyword)) or "no value",
            expected=expected,
            remedy=remedy,
        )
        for keyword, right, expected, remedy in rules
        if not right
    ]
