"""How long twenty thousand headers take, beside a plain loop that reads them whole with pydicom.

Not part of `make test`; run by `make benchmark`. The files are in the cache of the system, so this is
what the computer does and not what its disk or network does.
"""

from __future__ import annotations

import datetime
from io import BytesIO
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian
from pytest_benchmark.fixture import BenchmarkFixture

from cohortlib.dicom import find_images, image_series

COUNT, IN_SERIES = 20_000, 100
#: The plain loop must take so many times longer than the first run, and than a second one.
FIRST_FASTER, SECOND_FASTER = 3, 30
MEDIAN_S: dict[str, float] = {}

pytestmark = pytest.mark.benchmark(group="twenty thousand headers")


def slice_header() -> bytes:
    """A CT slice with as many elements as scanners write: sequences, private blocks, few pixels."""
    header = Dataset()
    for group in ("Study", "Series", "Acquisition", "Content"):
        setattr(header, f"{group}Date", "20310309")
        setattr(header, f"{group}Time", "120000.000000")
    texts = (
        "SeriesDescription StudyDescription InstitutionName Manufacturer ManufacturerModelName StationName "
        "ProtocolName SoftwareVersions DeviceSerialNumber PatientComments ImageComments ConvolutionKernel "
        "InstitutionalDepartmentName DerivationDescription FilterType"
    )
    for keyword in texts.split():
        setattr(header, keyword, "an invented text")
    header.SOPClassUID, header.SOPInstanceUID = CTImageStorage, "2.25.1234567890000000"
    header.StudyInstanceUID, header.SeriesInstanceUID = "2.25.1234560000000", "2.25.1234570000000"
    header.FrameOfReferenceUID = "2.25.123458"
    header.PatientID, header.PatientName, header.Modality = "P001", "Invented^Person", "CT"
    header.ImageType, header.SeriesNumber, header.InstanceNumber = ["ORIGINAL", "PRIMARY", "AXIAL"], 3, 1
    header.ImagePositionPatient, header.ImageOrientationPatient = [-180, -180, "777777"], [1, 0, 0, 0, 1, 0]
    header.PixelSpacing, header.SliceThickness, header.KVP, header.Exposure = [0.7, 0.7], 1, 120, 110
    header.CTDIvol, header.GantryDetectorTilt, header.TableHeight, header.XRayTubeCurrent = 5.1, 0, 150, 200
    header.WindowCenter, header.WindowWidth, header.RescaleSlope, header.RescaleIntercept = 40, 400, 1, -1024
    for keyword in ("ReferencedStudySequence", "RequestAttributesSequence", "ProcedureCodeSequence"):
        item = Dataset()
        item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = "1", "99X", "an invented code"
        setattr(header, keyword, [item])
    for group in (0x0009, 0x0019, 0x0021, 0x0027, 0x0043, 0x0045):
        header.add_new((group, 0x0010), "LO", "INVENTED BLOCK")
        for element in range(0x1000, 0x1014):
            header.add_new((group, element), "DS", "1.25")
    header.SamplesPerPixel, header.PhotometricInterpretation = 1, "MONOCHROME2"
    header.Rows, header.Columns = 8, 8
    header.BitsAllocated, header.BitsStored, header.HighBit, header.PixelRepresentation = 16, 16, 15, 0
    header.PixelData = np.zeros((8, 8), np.uint16).tobytes()
    header["PixelData"].VR = "OW"
    header.file_meta = FileMetaDataset()
    header.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    stream = BytesIO()
    pydicom.dcmwrite(stream, header, enforce_file_format=True)
    return stream.getvalue()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root, header = tmp_path_factory.mktemp("headers"), slice_header()
    for number in range(COUNT):
        series, place = divmod(number, IN_SERIES)
        if place == 0:
            (root / f"{series:03d}").mkdir()
        content = header.replace(b"1234567890000000", b"12345678%08d" % number)
        content = content.replace(b"1234570000000", b"123457%07d" % series)
        content = content.replace(b"777777", b"%06d" % place)
        (root / f"{series:03d}" / f"{place:03d}.dcm").write_bytes(content)
    return root


def plain_loop(folder: Path) -> list[Dataset]:
    return [pydicom.dcmread(path, stop_before_pixels=True) for path in sorted(folder.rglob("*.dcm"))]


def test_1_plain_loop_of_whole_headers(benchmark: BenchmarkFixture, folder: Path) -> None:
    assert len(benchmark.pedantic(plain_loop, (folder,), rounds=1)) == COUNT
    MEDIAN_S["loop"] = benchmark.stats.stats.median


def test_2_find_images_the_first_time(benchmark: BenchmarkFixture, folder: Path, tmp_path: Path) -> None:
    index = tmp_path / "index.json"
    images = benchmark.pedantic(
        lambda: find_images(folder, index=index), setup=lambda: index.unlink(missing_ok=True), rounds=3
    )
    assert (images["problem"] == "").all()
    assert images["instance_uid"].nunique() == COUNT
    assert MEDIAN_S["loop"] / benchmark.stats.stats.median >= FIRST_FASTER


def test_3_find_images_again(benchmark: BenchmarkFixture, folder: Path, tmp_path: Path) -> None:
    index = tmp_path / "index.json"
    first = find_images(folder, index=index)
    again = benchmark.pedantic(lambda: find_images(folder, index=index), rounds=5, warmup_rounds=1)
    assert again.equals(first)
    assert MEDIAN_S["loop"] / benchmark.stats.stats.median >= SECOND_FASTER


def test_4_group_them_to_series(benchmark: BenchmarkFixture, folder: Path) -> None:
    images = find_images(folder)
    series = benchmark.pedantic(image_series, (images,), rounds=3, warmup_rounds=1)
    assert len(series) == COUNT // IN_SERIES
    assert series["slice_spacing_mm"].eq(1).all()
    assert series["study_date"].eq(datetime.datetime(2031, 3, 9)).all()
