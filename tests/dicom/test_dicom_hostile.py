"""Any bytes: a radiograph or a StudyError, and no warning leaks (pytest makes warnings errors)."""

from contextlib import suppress
from io import BytesIO

import numpy as np
import pydicom
from dx_writer import code_item, film_bytes, table_item
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.uid import ImplicitVRLittleEndian, JPEG2000Lossless, RLELossless

from cohortlib.dicom import read_display_window, read_radiograph
from cohortlib.errors import StudyError
from cohortlib.image import Radiograph

PIXELS = np.random.default_rng(4).integers(0, 4096, (12, 9)).astype(np.uint16)


def full_header():
    standing = Dataset()
    standing.PatientOrientationModifierCodeSequence = [code_item("10904000")]
    return {
        "BitsStored": 12,
        "PhotometricInterpretation": "MONOCHROME1",
        "PixelSpacing": [0.17, 0.085],
        "PixelSpacingCalibrationType": "FIDUCIAL",
        "DistanceSourceToDetector": 1150,
        "CollimatorLeftVerticalEdge": 2,
        "CollimatorRightVerticalEdge": 8,
        "CollimatorUpperHorizontalEdge": 2,
        "CollimatorLowerHorizontalEdge": 11,
        "PatientOrientation": ["R", "F"],
        "ViewPosition": "AP",
        "AnatomicRegionSequence": [code_item("24136001")],
        "PatientOrientationCodeSequence": [standing],
        "PixelPaddingValue": 7,
        "PresentationLUTShape": "INVERSE",
        "VOILUTSequence": [table_item([1, 2, 3])],
    }


def films():
    stream = BytesIO()
    Image.fromarray(PIXELS).save(stream, "JPEG2000", irreversible=False, no_jp2=True)
    run_length = pydicom.dcmread(BytesIO(film_bytes(PIXELS)))
    run_length.compress(RLELossless)
    frame = pydicom.encaps.get_frame(run_length.PixelData, 0, number_of_frames=1)
    rescaled = {**full_header(), "RescaleSlope": 0.5, "RescaleIntercept": -10}
    tabled = {**full_header(), "ModalityLUTSequence": [table_item([5, 6, 7], first=1)]}
    return [
        film_bytes(PIXELS, **rescaled),
        film_bytes(PIXELS, syntax=ImplicitVRLittleEndian, **tabled),
        film_bytes(PIXELS, syntax=RLELossless, encoded=frame, **rescaled),
        film_bytes(PIXELS, syntax=JPEG2000Lossless, encoded=stream.getvalue(), **full_header()),
    ]


FILMS = films()


@st.composite
def damaged(draw):
    content = bytearray(draw(st.sampled_from(FILMS)))
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.integers(132, len(content) - 1))
        kind = draw(st.sampled_from(["change"] * 8 + ["insert", "remove"]))
        if kind == "change":
            content[place] = draw(st.sampled_from([0, 1, 0x20, 0x2D, 0x30, 0x39, 0x7F, 0xFE, 0xFF]))
        elif kind == "insert":
            content[place:place] = draw(st.binary(min_size=1, max_size=8))
        else:
            del content[place : place + draw(st.integers(1, 8))]
    whole = draw(st.integers(0, 9)) > 0
    return bytes(content if whole else content[: draw(st.integers(132, len(content)))])


# by hand


def test_the_undamaged_films_are_read(tmp_path):
    for content in FILMS:
        path = tmp_path / "film.dcm"
        path.write_bytes(content)
        read = read_radiograph(path)
        assert (read.spacing_source, read.view, read.position) == ("detector", "AP hip", "standing")
        # columns 2 to 8 of 9, counted from 1: the middle is x = 4, and mirrored 8 - 4
        assert read.beam_centre_px == (4, 5.5)


# by law


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.data_too_large])
@given(content=damaged())
def test_damaged_films(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("hostile") / "film.dcm"
    path.write_bytes(content)
    for read in (read_radiograph, read_display_window):
        with suppress(StudyError):
            found = read(path)
            assert found is None or isinstance(found, Radiograph | tuple)
