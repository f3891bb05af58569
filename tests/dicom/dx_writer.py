"""Write small radiographs for the tests; nothing here is read from the code under test."""

from io import BytesIO

import numpy as np
from pydicom import dcmwrite
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import (
    DigitalXRayImageStorageForPresentation,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    generate_uid,
)


def film_bytes(pixels, *, syntax=ExplicitVRLittleEndian, encoded=None, without=(), **elements):
    """A digital X-ray as bytes: `pixels` as they are to be stored; elements by keyword, None to leave out.

    `encoded` replaces the pixel data by one encoded frame.
    """
    pixels = np.asarray(pixels)
    bits = pixels.dtype.itemsize * 8
    film = Dataset()
    film.SOPClassUID = elements.pop("SOPClassUID", DigitalXRayImageStorageForPresentation)
    film.SOPInstanceUID = generate_uid(entropy_srcs=["film"])
    film.Modality = "DX"
    film.PatientOrientation = ["L", "F"]
    film.Rows, film.Columns = pixels.shape
    film.SamplesPerPixel, film.PhotometricInterpretation = 1, "MONOCHROME2"
    film.BitsAllocated = bits
    film.BitsStored = elements.pop("BitsStored", bits)
    film.HighBit = film.BitsStored - 1
    film.PixelRepresentation = int(pixels.dtype.kind == "i")
    film.ImagerPixelSpacing = [0.2, 0.1]
    order = ">" if syntax == ExplicitVRBigEndian else "<"
    raw = pixels.astype(pixels.dtype.newbyteorder(order)).tobytes()
    film.PixelData = encapsulate([encoded]) if encoded is not None else raw + b"\0" * (len(raw) % 2)
    film["PixelData"].VR = "OB" if encoded is not None or bits == 8 else "OW"
    film["PixelData"].is_undefined_length = encoded is not None
    for keyword, value in elements.items():
        setattr(film, keyword, value)
    for keyword in without:
        delattr(film, keyword)
    film.file_meta = FileMetaDataset()
    film.file_meta.TransferSyntaxUID = syntax
    film.file_meta.MediaStorageSOPClassUID = film.get("SOPClassUID", DigitalXRayImageStorageForPresentation)
    film.file_meta.MediaStorageSOPInstanceUID = film.SOPInstanceUID
    stream = BytesIO()
    dcmwrite(
        stream,
        film,
        enforce_file_format=True,
        implicit_vr=syntax == ImplicitVRLittleEndian,
        little_endian=syntax != ExplicitVRBigEndian,
    )
    return stream.getvalue()


def table_item(outputs, *, first=0, bits=16, entry="<u2"):
    """An item of a modality LUT or VOI LUT sequence; `entry` is how an entry is written."""
    item = Dataset()
    item.add_new("LUTDescriptor", "SS" if first < 0 else "US", [len(outputs) % 65536, first, bits])
    item.add_new("LUTData", "OW", np.asarray(outputs, entry).tobytes())
    return item


def code_item(value):
    """An item of a code sequence."""
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "SCT", "code"
    return item
