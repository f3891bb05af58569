"""Files as a hospital sends them: invented patients, and everything that identifies them."""

import datetime
from pathlib import Path

import numpy as np
from dx_writer import code_item, film_bytes
from pydicom.dataset import Dataset
from pydicom.uid import CTImageStorage, generate_uid

NAME = "Quistorp^Wendelin Aloysius^^Dr."
HOSPITAL_ID = "KH-7741902"
BIRTH_DATE = "19481117"
PIXELS = np.random.default_rng(11).integers(0, 4096, (32, 24)).astype(np.uint16)


def uid(*names):
    return generate_uid(entropy_srcs=[str(name) for name in names])


def identity(day, *, hospital_id=HOSPITAL_ID, name=NAME, image="1"):
    """Everything of a header that names, numbers or dates; `day` is a datetime.date."""
    date = day.strftime("%Y%m%d")
    physician = "Vandersloot^Ottilie"
    requested = Dataset()
    requested.ScheduledProcedureStepStartDate, requested.RequestedProcedureID = date, "RP-55190"
    requested.ScheduledPerformingPhysicianName = physician
    referenced = Dataset()
    referenced.ReferencedSOPClassUID, referenced.ReferencedSOPInstanceUID = (
        CTImageStorage,
        uid("earlier", day),
    )
    return {
        "PatientName": name,
        "PatientID": hospital_id,
        "PatientBirthDate": BIRTH_DATE,
        "PatientSex": "M",
        "PatientAge": "081Y",
        "PatientAddress": "Lindenweg 14, Obermarkt",
        "PatientTelephoneNumbers": "+00 555 0199",
        "OtherPatientIDs": ["MRN-0099123", "K-8812"],
        "PatientComments": "sings in the choir of Obermarkt",
        "InstitutionName": "Klinikum Obermarkt",
        "InstitutionalDepartmentName": "Orthopaedics West",
        "StationName": "OBM-DX-07",
        "ReferringPhysicianName": physician,
        "PerformingPhysicianName": physician,
        "OperatorsName": "Ferrante^Ilse",
        "AccessionNumber": "ACC20310077",
        "StudyID": "STD-4471",
        "StudyDescription": "Pelvis of W. Quistorp",
        "SeriesDescription": "Quistorp AP",
        "ProtocolName": "Hip Obermarkt",
        "StudyDate": date,
        "SeriesDate": date,
        "AcquisitionDate": date,
        "ContentDate": date,
        "StudyTime": "134501.123456",
        "AcquisitionTime": "134612.654321",
        "ContentTime": "134733",
        "AcquisitionDateTime": f"{date}134612.654321",
        "InstanceCreationDate": (day + datetime.timedelta(days=1)).strftime("%Y%m%d"),
        "StudyInstanceUID": uid("study", hospital_id, day),
        "SeriesInstanceUID": uid("series", hospital_id, day),
        "SOPInstanceUID": uid("image", hospital_id, day, image),
        "FrameOfReferenceUID": uid("frame", hospital_id),
        "RequestAttributesSequence": [requested],
        "ReferencedImageSequence": [referenced],
        "DeviceSerialNumber": "SN-66120-B",
        "DateOfLastCalibration": "20300105",
        "BodyPartExamined": "PELVIS",
        "ViewPosition": "AP",
        "ViewCodeSequence": [code_item("399348003")],
        "AnatomicRegionSequence": [code_item("816092008")],
        "Manufacturer": "Invented Imaging",
        "ManufacturerModelName": "Plate 3",
        "KVP": 75,
        "Exposure": 20,
        "ImageAndFluoroscopyAreaDoseProduct": 3.5,
        "DistanceSourceToDetector": 1150,
    }


def hospital_film(day=datetime.date(2031, 3, 9), *, pixels=PIXELS, image="1", private=True, **elements):
    """A film as bytes; identity by keyword can be changed, None leaves an element out."""
    known = {name: elements.pop(name) for name in ("hospital_id", "name") if name in elements}
    header = {**identity(day, image=image, **known), "BitsStored": 12, **elements}
    missing = [keyword for keyword, value in header.items() if value is None]
    header = {keyword: value for keyword, value in header.items() if keyword not in missing}
    content = film_bytes(pixels, **header)
    return _with_private(content) if private else content


def _with_private(content):
    """A private block behind the group of the series, as scanners write it."""
    block = b"\x21\x00\x10\x00LO\x08\x00INVENTED\x21\x00\x01\x10LO\x0c\x00Quistorp, W."
    place = content.index(b"\x28\x00\x02\x00US")
    return content[:place] + block + content[place:]


def ct_slice(place_mm, *, cosines=(1, 0, 0, 0, 1, 0), series="ct", image=None, **elements):
    """A CT slice as bytes; `place_mm` is its first pixel in the patient."""
    header = {
        "SOPClassUID": CTImageStorage,
        "SOPInstanceUID": uid("slice", series, image or place_mm),
        "SeriesInstanceUID": uid(series),
        "StudyInstanceUID": uid("study of", series),
        "Modality": "CT",
        "PatientID": "P001",
        "ImagePositionPatient": list(place_mm),
        "ImageOrientationPatient": list(cosines),
        "PixelSpacing": [0.7, 0.7],
        "SliceThickness": 1,
        "KVP": 120,
        "Exposure": 100,
        "CTDIvol": 4.5,
        "StudyDate": "20310309",
        **elements,
    }
    return film_bytes(
        np.zeros((4, 6), np.uint16), without=("ImagerPixelSpacing", "PatientOrientation"), **header
    )


def written(folder: Path, files):
    """Files by path below a folder, from their bytes."""
    for path, content in files.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(content)
    return folder
