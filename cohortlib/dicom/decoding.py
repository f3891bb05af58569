"""Stored pixel values of one frame, from any transfer syntax a decoder is installed for."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray
from pydicom import dcmwrite
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import get_frame
from pydicom.pixels import get_decoder
from pydicom.uid import (
    UID,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
    SecondaryCaptureImageStorage,
    generate_uid,
)

from cohortlib.dicom.elements import label, whole
from cohortlib.dicom.opening import guarded
from cohortlib.errors import study_error

# Encodings without a decoder in pydicom and its installed plug-ins
_ITK_SYNTAXES = (JPEGExtended12Bit, JPEGLossless, JPEGLosslessSV1, JPEGLSLossless, JPEGLSNearLossless)
_JPEG_2000_START = b"\xff\x4f\xff\x51"
# Start-of-frame markers of JPEG (not DHT C4, JPG C8, DAC CC) and of JPEG-LS (F7)
_START_OF_FRAME = (*range(0xC0, 0xC4), *range(0xC5, 0xC8), *range(0xC9, 0xCC), *range(0xCD, 0xD0), 0xF7)
# Elements that say how the samples of a frame are packed.
_PACKING = ("Rows", "Columns", "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation")


def stored_values(dataset: Dataset, *, name: str) -> NDArray[np.integer]:
    """Pixel values as stored (rows, columns): bits that are not part of the value removed, sign restored.

    The size the encoded frame claims is compared with Rows and Columns before it is decoded.

    Raises
    ------
    StudyError
        If the pixel data are shorter than the header says, were cut short, claim another size, or
        cannot be decoded; export the image again, uncompressed.
    """
    syntax = dataset.file_meta.TransferSyntaxUID
    values: NDArray[np.integer]
    with guarded(name):
        if not syntax.is_encapsulated:
            _check_length(dataset, name)
        elif syntax != RLELossless:
            _check_frame(get_frame(dataset.PixelData, 0, number_of_frames=1), dataset, name)
        if syntax in _ITK_SYNTAXES:
            values = _decoded_by_itk(dataset)
        else:
            _check_decoder(syntax, name)
            values = dataset.pixel_array
    if values.shape != (wanted := _size(dataset)):
        raise study_error(
            file=name,
            column=label("PixelData"),
            found=f"an encoded image of shape {values.shape}",
            expected=f"{wanted[0]} rows and {wanted[1]} columns of one grey image",
            remedy="Export the image again, uncompressed if possible",
        )
    return values


def _size(dataset: Dataset) -> tuple[int, int]:
    return whole(dataset, "Rows"), whole(dataset, "Columns")


def _check_decoder(syntax: UID, name: str) -> None:
    try:
        available = bool(get_decoder(syntax).is_available)
    except NotImplementedError:
        available = False
    if not available:
        raise study_error(
            file=name,
            column=label("TransferSyntaxUID"),
            found=syntax.name,
            expected="no compression, RLE, JPEG, JPEG-LS or JPEG 2000",
            remedy="Export the image uncompressed",
        )


def _check_length(dataset: Dataset, name: str) -> None:
    rows, columns = _size(dataset)
    needed = rows * columns * whole(dataset, "BitsAllocated") // 8
    if len(dataset.PixelData) < needed:
        raise study_error(
            file=name,
            column=label("PixelData"),
            found=f"{len(dataset.PixelData)} bytes for {rows} rows of {columns} pixels",
            expected=f"{needed} bytes",
            remedy="Copy or export the image again: the file was cut short, or its header is wrong",
        )


def _check_frame(frame: bytes, dataset: Dataset, name: str) -> None:
    """A frame must end as its standard says, and be of the size the header says."""
    size, wanted = _frame_size(frame), (*_size(dataset), 1)
    found = ""
    if not frame[-64:].rstrip(b"\0\xff").endswith(b"\xff\xd9"):
        found = "an encoded image without its end"
    elif size != wanted:
        found = f"an encoded image of {size[0]} rows, {size[1]} columns and {size[2]} channels"
    if found:
        raise study_error(
            file=name,
            column=label("PixelData"),
            found=found,
            expected=f"a whole grey image of {wanted[0]} rows and {wanted[1]} columns",
            remedy="Copy or export the image again, uncompressed if possible",
        )


def _frame_size(frame: bytes) -> tuple[int, int, int]:
    """Rows, columns and channels that a JPEG, JPEG-LS or JPEG 2000 frame claims; zeros if it does not say."""

    def number(start: int, length: int = 2) -> int:
        return int.from_bytes(frame[start : start + length], "big")

    start = frame.find(_JPEG_2000_START, 0, 4096)
    if (
        start >= 0
    ):  # marker SIZ: Lsiz, Rsiz (2 bytes each), Xsiz, Ysiz, XOsiz, YOsiz and 4 more (4 each), Csiz
        width, height, left, top = (number(start + 8 + 4 * place, 4) for place in range(4))
        return height - top, width - left, number(start + 40)
    place = 2
    while place + 10 <= len(frame) and frame[place] == 0xFF:
        if (
            frame[place + 1] in _START_OF_FRAME
        ):  # length, precision (1 byte), rows, columns, channels (1 byte)
            return number(place + 5), number(place + 7), number(place + 9, 1)
        place += 1 if frame[place + 1] == 0xFF else 2 + number(place + 2)
    return 0, 0, 0


def _decoded_by_itk(dataset: Dataset) -> NDArray[np.integer]:
    """The values by ITK, for encodings without a decoder in pydicom (JPEG lossless, JPEG-LS, 12-bit JPEG).

    ITK applies the rescale and inverts MONOCHROME1 by itself, so it is given a file with the pixels only.
    """
    bare = Dataset()
    bare.SOPClassUID, bare.SOPInstanceUID = SecondaryCaptureImageStorage, generate_uid()
    bare.SamplesPerPixel, bare.PhotometricInterpretation = 1, "MONOCHROME2"
    for keyword in _PACKING:
        setattr(bare, keyword, dataset[keyword].value)
    bare.PixelData = dataset.PixelData
    bare["PixelData"].is_undefined_length = True
    bare.file_meta = FileMetaDataset()
    bare.file_meta.TransferSyntaxUID = dataset.file_meta.TransferSyntaxUID
    with TemporaryDirectory() as folder:
        path = Path(folder) / "pixels.dcm"
        dcmwrite(path, bare, enforce_file_format=True)
        image = sitk.ReadImage(str(path), imageIO="GDCMImageIO")
    values: NDArray[np.integer] = sitk.GetArrayFromImage(image)[0]
    return values
