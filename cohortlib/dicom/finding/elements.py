"""The header elements that finding needs: tag, how its value is written, and the column it fills."""

from __future__ import annotations

from typing import NamedTuple

from pydicom.datadict import dictionary_VR, tag_for_keyword


class Wanted(NamedTuple):
    """One element: its keyword, its VR as two bytes, and the column it fills as it is ("" if none)."""

    keyword: str
    vr: bytes
    column: str


_COLUMN_OF = {
    "SpecificCharacterSet": "",
    "ImageType": "image_type",
    "SOPClassUID": "",
    "SOPInstanceUID": "instance_uid",
    "StudyDate": "study_date",
    "AcquisitionDate": "",
    "AcquisitionDateTime": "",
    "AcquisitionTime": "",
    "Modality": "modality",
    "Manufacturer": "manufacturer",
    "SeriesDescription": "series_description",
    "ManufacturerModelName": "model",
    "AnatomicRegionSequence": "",
    "PatientID": "patient_id",
    "BodyPartExamined": "body_part",
    "SliceThickness": "slice_thickness_mm",
    "KVP": "tube_voltage_kv",
    "DeviceSerialNumber": "serial_number",
    "DistanceSourceToDetector": "source_to_detector_mm",
    "GantryDetectorTilt": "gantry_tilt_deg",
    "Exposure": "exposure_mas",
    "ImageAndFluoroscopyAreaDoseProduct": "dose_area_product_dgy_cm2",
    "ImagerPixelSpacing": "",
    "ConvolutionKernel": "kernel",
    "NominalScannedPixelSpacing": "",
    "PatientPosition": "",
    "ViewPosition": "",
    "CTDIvol": "ctdi_vol_mgy",
    "StudyInstanceUID": "study_uid",
    "SeriesInstanceUID": "series_uid",
    "SeriesNumber": "series_number",
    "InstanceNumber": "instance_number",
    "ImagePositionPatient": "",
    "ImageOrientationPatient": "",
    "FrameOfReferenceUID": "frame_of_reference_uid",
    "ImageLaterality": "laterality",
    "SamplesPerPixel": "",
    "PhotometricInterpretation": "photometric",
    "NumberOfFrames": "frames",
    "Rows": "rows",
    "Columns": "columns",
    "PixelSpacing": "",
    "PixelAspectRatio": "",
    "BitsAllocated": "",
    "PixelSpacingCalibrationType": "",
    "BurnedInAnnotation": "burned_in_annotation",
    "ViewCodeSequence": "",
    "PatientOrientationCodeSequence": "",
}

#: Tag (group × 65536 + element) → element, in the order of a file.
WANTED: dict[int, Wanted] = {
    int(tag_for_keyword(keyword) or 0): Wanted(keyword, dictionary_VR(keyword).encode(), column)
    for keyword, column in _COLUMN_OF.items()
}
TAG_OF = {wanted.keyword: tag for tag, wanted in WANTED.items()}
#: Nothing behind this element is looked at.
LAST_TAG = max(WANTED)
TRANSFER_SYNTAX = 0x0002_0010
