"""A film saved again as a picture: eight bits, and neither beam nor detector known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import FileDataset
from pydicom.uid import SecondaryCaptureImageStorage

#: What the picture takes over from the film; everything else is lost.
_KEPT = {
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "PatientComments",
    "StudyInstanceUID",
    "SeriesInstanceUID",
    "SOPInstanceUID",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
    "SeriesNumber",
    "InstanceNumber",
    "SeriesDescription",
    "Manufacturer",
    "ImageComments",
    "BodyPartExamined",
    "ImageLaterality",
    "SamplesPerPixel",
    "PhotometricInterpretation",
    "Rows",
    "Columns",
    "PixelRepresentation",
    "LossyImageCompression",
}


def make_secondary_capture(file: FileDataset, pixels: NDArray[np.uint16]) -> None:
    """Turn the data set of a digital film into that of a secondary capture.

    Parameters
    ----------
    file
        As `dx.write_dx` builds it; changed in place.
    pixels : (rows, columns)
        Stored values of twelve bits.

    References
    ----------
    DICOM PS3.3, A.8.1 Secondary Capture Image, and C.8.6.1 SC Equipment Module.
    """
    for element in list(file):
        if element.keyword not in _KEPT:
            del file[element.tag]
    file.SOPClassUID = file.file_meta.MediaStorageSOPClassUID = SecondaryCaptureImageStorage
    file.Modality, file.ConversionType, file.ImageType = "OT", "WSD", ["DERIVED", "SECONDARY"]
    file.PatientOrientation = ["L", "F"]
    file.BitsAllocated, file.BitsStored, file.HighBit = 8, 8, 7
    data = (pixels >> 4).astype(np.uint8).tobytes()
    file.PixelData = data + b"\0" * (len(data) % 2)
