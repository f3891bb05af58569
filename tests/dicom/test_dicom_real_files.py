"""Real files that ship with pydicom and pydicom-data (MIT): what becomes of them.

Nothing is downloaded; the files are found by their path inside the installed packages.
"""

import csv
from pathlib import Path

import data_store
import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from pydicom.uid import SecondaryCaptureImageStorage

from cohortlib.dicom import read_radiograph
from cohortlib.errors import StudyError

FOLDERS = {
    "pydicom": Path(pydicom.__file__).parent / "data" / "test_files",
    "pydicom-data": Path(data_store.__file__).parent / "data",
}


def shipped(package, file):
    """The path of a file in an installed package; other versions may not ship it."""
    path = FOLDERS[package] / file
    if not path.exists():
        pytest.skip(f"this version of {package} has no {file}")
    return path


def itk_pixels(path):
    """Grey values as SimpleITK (GDCM) reads them: rescaled, MONOCHROME1 turned round, not hung."""
    return sitk.GetArrayFromImage(sitk.ReadImage(str(path), imageIO="GDCMImageIO")).squeeze()


# by reference: the radiographs; pixels by SimpleITK, facts by the header as any viewer lists it

FLAT = "not stated: taken as hung the usual way"
CHEST = "Body Part Examined (0018,0015) CHEST"
READ = [
    # package, file, photometric, spacing, source, distance, mirrored, word of the note
    ("pydicom", "dicomdirtests/77654033/CR1/6154", 1, (0.1, 0.1), "detector", None, False, "CSPINE"),
    ("pydicom", "dicomdirtests/77654033/CR2/6247", 1, (0.1, 0.1), "detector", None, False, "CSPINE"),
    ("pydicom", "dicomdirtests/77654033/CR3/6278", 1, (0.1, 0.1), "detector", None, False, "CSPINE"),
    ("pydicom", "JPEGLSNearLossless_08.dcm", 2, None, "none", None, False, FLAT),
    ("pydicom", "JPEGLSNearLossless_16.dcm", 2, None, "none", None, False, FLAT),
    ("pydicom", "image_dfl.dcm", 2, None, "none", None, False, FLAT),
    # a chest: spacing 0, 0, and collimator edges that count from some other origin
    ("pydicom-data", "RG1_UNCR.dcm", 1, None, "none", 1996, False, "0.000, 0.000 is no spacing in mm"),
    (
        "pydicom-data",
        "RG1_UNCI.dcm",
        1,
        None,
        "none",
        1996,
        False,
        "-184, 184, 907, 1299 give no beam centre",
    ),
    ("pydicom-data", "RG1_J2KR.dcm", 1, None, "none", 1996, False, CHEST),
    ("pydicom-data", "RG1_J2KI.dcm", 1, None, "none", 1996, False, "compressed with loss"),
    # a right ankle, stored mirrored: hung by its header, its lead letter R can be read
    ("pydicom-data", "RG3_UNCR.dcm", 1, None, "none", None, True, "mirrored left to right"),
    ("pydicom-data", "RG3_UNCI.dcm", 1, None, "none", None, True, "mirrored left to right"),
    ("pydicom-data", "RG3_J2KR.dcm", 1, None, "none", None, True, "mirrored left to right"),
    ("pydicom-data", "RG3_J2KI.dcm", 1, None, "none", None, True, "compressed with loss"),
    ("pydicom-data", "vlut_04.dcm", 2, None, "none", None, False, FLAT),
]


@pytest.mark.parametrize(
    ("package", "file", "photometric", "spacing", "source", "distance", "mirrored", "note"),
    READ,
    ids=[row[1] for row in READ],
)
def test_radiographs(package, file, photometric, spacing, source, distance, mirrored, note):
    path = shipped(package, file)
    read = read_radiograph(path)
    assert (read.spacing_mm, read.spacing_source) == (spacing, source)
    assert (read.photometric, read.source_to_detector_mm) == (f"MONOCHROME{photometric}", distance)
    assert (read.beam_centre_px, read.view, read.position) == (None, "", "")
    assert note in read.note
    expected = itk_pixels(path)
    expected = expected[:, ::-1] if mirrored else expected
    assert np.array_equal(read.pixels, expected.astype(np.float32))


def test_modality_table():
    # ITK does not apply a modality LUT; source of the values: pydicom.pixels.apply_modality_lut
    path = shipped("pydicom-data", "mlut_18.dcm")
    dataset = pydicom.dcmread(path)
    expected = pydicom.pixels.apply_modality_lut(dataset.pixel_array, dataset)
    assert np.array_equal(read_radiograph(path).pixels, expected)


# by reference: decoders on real streams that are no radiographs, relabelled as one

STREAMS = [
    # package, file, package, file that holds the same image uncompressed ("" = SimpleITK decodes it)
    ("pydicom", "MR_small_RLE.dcm", "pydicom", "MR_small.dcm"),
    ("pydicom", "MR_small_bigendian.dcm", "pydicom", "MR_small.dcm"),
    ("pydicom", "MR_small_implicit.dcm", "pydicom", "MR_small.dcm"),
    ("pydicom", "MR_small_jp2klossless.dcm", "pydicom", "MR_small.dcm"),
    ("pydicom", "MR_small_jpeg_ls_lossless.dcm", "pydicom", "MR_small.dcm"),
    ("pydicom", "MR_small_padded.dcm", "pydicom", "MR_small.dcm"),
    ("pydicom", "JPEG2000.dcm", "pydicom-data", "JPEG2000_UNC.dcm"),
    ("pydicom-data", "MR2_J2KR.dcm", "pydicom-data", "MR2_UNCR.dcm"),
    ("pydicom-data", "693_J2KR.dcm", "pydicom-data", "693_UNCR.dcm"),
    ("pydicom", "693_J2KI.dcm", "pydicom", ""),
    ("pydicom", "J2K_pixelrep_mismatch.dcm", "pydicom", ""),
    ("pydicom", "CT_small.dcm", "pydicom", ""),
    # decoded by ITK in the code as well: this checks the way there and back, not the decoder
    ("pydicom-data", "JPEG-LL.dcm", "pydicom-data", ""),
    ("pydicom-data", "bad_sequence.dcm", "pydicom-data", ""),
    ("pydicom-data", "JPGLosslessP14SV1_1s_1f_8b.dcm", "pydicom-data", ""),
]


def relabelled(path, folder):
    dataset = pydicom.dcmread(path)
    dataset.SOPClassUID, dataset.Modality = SecondaryCaptureImageStorage, "DX"
    dataset.PatientOrientation = ["L", "F"]
    dataset.save_as(folder / "film.dcm")
    return folder / "film.dcm"


@pytest.mark.parametrize(("package", "file", "home", "truth"), STREAMS, ids=[row[1] for row in STREAMS])
def test_decoders(tmp_path, package, file, home, truth):
    path = shipped(package, file)
    read = read_radiograph(relabelled(path, tmp_path))
    expected = itk_pixels(shipped(home, truth) if truth else path)
    assert np.array_equal(read.pixels, expected.astype(np.float32))


# by failure: `found` in the table is written from the files' headers, not from the code under test


def refused():
    with Path(__file__).with_name("real_files_refused.csv").open(newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("row", refused(), ids=lambda row: row["file"])
def test_refused(row):
    with pytest.raises(StudyError) as caught:
        read_radiograph(shipped(row["package"], row["file"]))
    first = caught.value.problems.iloc[0]
    told = caught.value.problems["column"].str.startswith(row["found"]).any()
    assert first["found"] == row["found"] or told


def test_codestream_that_claims_another_size(tmp_path):
    # four bytes in its size marker were overwritten: it claims 3.7 thousand million columns
    path = relabelled(shipped("pydicom", "JPEG2000-embedded-sequence-delimiter.dcm"), tmp_path)
    with pytest.raises(StudyError, match="an encoded image of 1024 rows, 3722445056 columns"):
        read_radiograph(path)


def test_cut_short(tmp_path):
    path = relabelled(shipped("pydicom", "MR_truncated.dcm"), tmp_path)
    with pytest.raises(StudyError, match=r"found 8130 bytes for 64 rows of 64 pixels. Expected 8192 bytes"):
        read_radiograph(path)
