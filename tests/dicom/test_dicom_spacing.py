"""Spacing and what it means: a decision table of DICOM PS3.3 10.7."""

import math

import numpy as np
import pytest
from dx_writer import film_bytes
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from pydicom.uid import SecondaryCaptureImageStorage

from cohortlib.dicom import read_radiograph
from cohortlib.dicom.spacing import spacing
from cohortlib.errors import StudyError
from cohortlib.image import SPACING_SOURCES

PIXELS = np.zeros((4, 6), np.uint16)


def header(**elements):
    dataset = Dataset()
    for keyword, value in elements.items():
        setattr(dataset, keyword, value)
    return dataset


# by hand


def test_row_spacing_comes_first_and_pixels_need_not_be_square(film):
    # the example of DICOM PS3.3 10.7.1.3: 0.30\0.25 is 0.30 between rows (vertical), 0.25 between columns
    read = read_radiograph(film(PIXELS, ImagerPixelSpacing=["0.30", "0.25"]))
    assert read.spacing_mm == (0.30, 0.25)
    assert read.mm([[4, 2]]).tolist() == [[4 * 0.25, -2 * 0.30]]


# by reference: DICOM PS3.3 10.7.1.1 and 10.7.1.2, row by row

TABLE = [
    # imager, pixel, scanned, calibration type → spacing, source, word of the note
    ((0.2, 0.2), None, None, "", (0.2, 0.2), "detector", ""),
    # "if not calibrated … shall be the same as in Imager Pixel Spacing"
    ((0.2, 0.2), (0.2, 0.2), None, "", (0.2, 0.2), "detector", ""),
    ((0.1439, 0.1439), (0.14390, 0.143900), None, "", (0.1439, 0.1439), "detector", ""),
    # "if different … corrected … or calibrated": the detector's is kept, the calibration is noted
    ((0.2, 0.2), (0.17, 0.17), None, "FIDUCIAL", (0.2, 0.2), "detector", "0.17, 0.17 (FIDUCIAL) not used"),
    ((0.2, 0.2), (0.17, 0.17), None, "GEOMETRY", (0.2, 0.2), "detector", "0.17, 0.17 (GEOMETRY) not used"),
    ((0.2, 0.2), (0.17, 0.17), None, "", (0.2, 0.2), "detector", "0.17, 0.17 not used"),
    # without the detector's, the calibration type says what it is
    (None, (0.17, 0.17), None, "FIDUCIAL", (0.17, 0.17), "calibrated object", ""),
    (None, (0.17, 0.17), None, "GEOMETRY", (0.17, 0.17), "calibrated geometry", ""),
    (None, (0.17, 0.17), (0.2, 0.2), "", (0.17, 0.17), "calibrated, method not stated", ""),
    (None, (0.17, 0.17), (0.2, 0.2), "FIDUCIAL", (0.17, 0.17), "calibrated object", ""),
    # "it cannot be determined whether or not correction or calibration have been performed"
    (None, (0.17, 0.17), None, "", (0.17, 0.17), "unknown", ""),
    (None, (0.17, 0.17), None, "OTHER", (0.17, 0.17), "unknown", ""),
    (None, (0.2, 0.2), (0.2, 0.2), "", (0.2, 0.2), "unknown", ""),
    (None, None, (0.2, 0.2), "", (0.2, 0.2), "unknown", "scanned film"),
    (None, None, None, "", None, "none", ""),
    (None, None, None, "FIDUCIAL", None, "none", ""),
    # the patient lies between source and detector: a calibrated spacing is the smaller one
    ((0.1, 0.1), (0.2, 0.2), None, "", None, "none", "contradict"),
    ((0.2, 0.2), (0.09, 0.09), None, "", None, "none", "contradict"),
    # a wrong value is not used, the next best is
    ((0.0, 0.0), (0.17, 0.17), None, "", (0.17, 0.17), "unknown", "Imager Pixel Spacing (0018,1164) 0, 0"),
    ((0.2, 0.2), (0.0, 0.0), None, "", (0.2, 0.2), "detector", "Pixel Spacing (0028,0030) 0, 0"),
]


@pytest.mark.parametrize(("imager", "pixel", "scanned", "kind", "expected", "source", "note"), TABLE)
def test_decision(imager, pixel, scanned, kind, expected, source, note):
    dataset = header(PixelSpacingCalibrationType=kind)
    for keyword, value in (
        ("ImagerPixelSpacing", imager),
        ("PixelSpacing", pixel),
        ("NominalScannedPixelSpacing", scanned),
    ):
        if value is not None:
            setattr(dataset, keyword, [f"{part:g}" for part in value])
    found, found_source, notes = spacing(dataset, name="film.dcm")
    assert (found, found_source) == (expected, source)
    assert note in "; ".join(notes)
    assert bool(notes) == bool(note)
    assert found_source in SPACING_SOURCES


def test_secondary_capture_of_a_scanned_film(film):
    path = film(
        PIXELS,
        SOPClassUID=SecondaryCaptureImageStorage,
        Modality="RG",
        NominalScannedPixelSpacing=[0.17, 0.17],
        without=("ImagerPixelSpacing",),
    )
    read = read_radiograph(path)
    assert (read.spacing_mm, read.spacing_source) == ((0.17, 0.17), "unknown")
    assert "original or print" in read.note


# by law


@settings(max_examples=200, deadline=None)
@given(
    rows=st.floats(0.01, 2),
    columns=st.floats(0.01, 2),
    magnification=st.floats(1, 1.9),
    kind=st.sampled_from(["", "FIDUCIAL", "GEOMETRY"]),
)
def test_the_detector_wins_whatever_the_calibration(rows, columns, magnification, kind):
    detector = [float(f"{rows:.8g}"), float(f"{columns:.8g}")]
    patient = [float(f"{part / magnification:.8g}") for part in detector]
    dataset = header(ImagerPixelSpacing=detector, PixelSpacing=patient, PixelSpacingCalibrationType=kind)
    found, source, _ = spacing(dataset, name="film.dcm")
    assert (found, source) == (tuple(detector), "detector")


@settings(max_examples=200, deadline=None)
@given(values=st.lists(st.one_of(st.floats(), st.text("0123456789.,-+eEnaif \\", max_size=12)), max_size=4))
def test_a_spacing_is_plausible_or_none(values):
    dataset = Dataset()
    dataset.add_new("ImagerPixelSpacing", "LO", [str(value) for value in values])
    found, source, notes = spacing(dataset, name="film.dcm")
    if found is None:
        assert source == "none"
    else:
        assert source == "detector"
        assert all(0.01 <= part <= 2 for part in found)
        assert notes == []


# by failure


@pytest.mark.parametrize(
    "wrong",
    [
        "0\\0",
        "-0.2\\0.2",
        "nan\\0.2",
        "inf\\inf",
        "0.2",
        "0.2\\0.2\\0.2",
        "0.005\\0.005",
        "2.5\\2.5",
        "0,2\\0,2",
    ],
)
def test_impossible_spacing_is_refused_only_where_millimetres_are_asked_for(tmp_path, wrong):
    content = film_bytes(PIXELS, ImagerPixelSpacing=["0.1234567890123", "0.1234567890123"])
    old = b"0.1234567890123\\0.1234567890123"
    assert content.count(old) == 1
    path = tmp_path / "film.dcm"
    path.write_bytes(content.replace(old, wrong.encode().ljust(len(old))))
    read = read_radiograph(path)
    assert (read.spacing_mm, read.spacing_source) == (None, "none")
    assert "Imager Pixel Spacing (0018,1164)" in read.note
    assert "is no spacing in mm: not used" in read.note
    with pytest.raises(StudyError, match="found no spacing"):
        read.mm([[0, 0]])


def test_pixels_that_are_not_square_need_a_spacing(film):
    without = ("ImagerPixelSpacing",)
    assert math.isclose(read_radiograph(film(PIXELS, PixelAspectRatio=[1, 2])).spacing_mm[0], 0.2)
    assert read_radiograph(film(PIXELS, PixelAspectRatio=[3, 3], without=without)).spacing_mm is None
    with pytest.raises(StudyError, match=r"Pixel Aspect Ratio \(0028,0034\): found 1, 2.*angles"):
        read_radiograph(film(PIXELS, PixelAspectRatio=[1, 2], without=without))
