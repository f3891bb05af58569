"""Hung the usual way round: the patient's left at the right of the image, the head up."""

import numpy as np
import pytest
from dx_writer import code_item
from hypothesis import given
from hypothesis import strategies as st
from pydicom.dataset import Dataset

from cohortlib.dicom import read_radiograph
from cohortlib.dicom.orientation import hung

# A film of 2 rows and 3 columns as it should hang: patient's left at the right, head at the top.
HANGING = np.array([[1, 2, 3], [4, 5, 6]], np.uint16)
# How it is stored for each Patient Orientation (0020,0020), written out by hand.
STORED = {
    ("L", "F"): [[1, 2, 3], [4, 5, 6]],
    ("R", "F"): [[3, 2, 1], [6, 5, 4]],
    ("L", "H"): [[4, 5, 6], [1, 2, 3]],
    ("R", "H"): [[6, 5, 4], [3, 2, 1]],
    ("F", "L"): [[1, 4], [2, 5], [3, 6]],
    ("F", "R"): [[3, 6], [2, 5], [1, 4]],
    ("H", "L"): [[4, 1], [5, 2], [6, 3]],
    ("H", "R"): [[6, 3], [5, 2], [4, 1]],
}


# by hand


@pytest.mark.parametrize("directions", STORED, ids="\\".join)
def test_all_eight_ways_to_store_a_film(film, directions):
    stored = np.array(STORED[directions], np.uint16)
    sideways = directions[0] in "FH"
    path = film(
        stored,
        PatientOrientation=list(directions),
        ImagerPixelSpacing=[0.1, 0.2] if sideways else [0.2, 0.1],
    )
    read = read_radiograph(path)
    assert read.pixels.tolist() == HANGING.tolist()
    assert read.spacing_mm == (0.2, 0.1)
    assert ("Patient Orientation (0020,0020)" in read.note) == (directions != ("L", "F"))
    assert read.pixels.flags["C_CONTIGUOUS"]


@pytest.mark.parametrize("directions", STORED, ids="\\".join)
def test_beam_centre_goes_with_its_pixel(directions):
    # the ray meets the pixel of value 3, which hangs at x = 2, y = 0
    stored = np.array(STORED[directions], np.float32)
    (y,), (x,) = np.nonzero(stored == 3)
    _, _, centre, _ = hung(stored, None, (float(x), float(y)), directions=directions)
    assert centre == (2, 0)


def test_only_the_first_letter_counts(film):
    read = read_radiograph(film(HANGING, PatientOrientation=["RA", "FP"]))
    assert read.pixels.tolist() == [[3, 2, 1], [6, 5, 4]]
    assert "mirrored left to right" in read.note


@pytest.mark.parametrize(
    ("directions", "note"),
    [
        ([], "not stated: taken as hung the usual way"),
        (["A", "F"], "A, F is not that of a frontal film: left as stored"),
        (["L", "P"], "left as stored"),
        (["L", "R"], "left as stored"),
        (["F", "H"], "left as stored"),
        (["L"], "left as stored"),
    ],
)
def test_what_cannot_be_hung_is_left_and_noted(film, directions, note):
    read = read_radiograph(film(HANGING, PatientOrientation=directions))
    assert read.pixels.tolist() == HANGING.tolist()
    assert note in read.note


@pytest.mark.parametrize(
    ("elements", "expected"),
    [
        ({}, ""),
        ({"ViewPosition": "AP"}, ""),
        ({"BodyPartExamined": "PELVIS"}, ""),
        ({"ViewPosition": "AP", "BodyPartExamined": "PELVIS"}, "AP pelvis"),
        ({"ViewPosition": "AP", "BodyPartExamined": "HIP"}, "AP hip"),
        ({"ViewPosition": "PA", "BodyPartExamined": "PELVIS"}, "PA pelvis"),
        ({"ViewPosition": "LL", "BodyPartExamined": "HIP"}, ""),
        ({"ViewPosition": "AP", "BodyPartExamined": "CHEST"}, ""),
        # codes of DICOM PS3.16: CID 4010 antero-posterior, CID 4009 hip joint
        (
            {
                "ViewCodeSequence": [code_item("399348003")],
                "AnatomicRegionSequence": [code_item("24136001")],
            },
            "AP hip",
        ),
        # two statements that contradict each other
        (
            {
                "ViewPosition": "PA",
                "ViewCodeSequence": [code_item("399348003")],
                "BodyPartExamined": "PELVIS",
            },
            "",
        ),
    ],
)
def test_view(film, elements, expected):
    assert read_radiograph(film(HANGING, **elements)).view == expected


def gravity(code):
    item = Dataset()
    item.PatientOrientationModifierCodeSequence = [code_item(code)]
    return [item]


@pytest.mark.parametrize(
    ("elements", "expected"),
    [
        ({}, ""),
        ({"PatientPosition": "HFS"}, "supine"),
        ({"PatientPosition": "HFP"}, ""),
        # codes of DICOM PS3.16, CID 20: standing, supine, sitting
        ({"PatientOrientationCodeSequence": gravity("10904000")}, "standing"),
        ({"PatientOrientationCodeSequence": gravity("40199007")}, "supine"),
        ({"PatientOrientationCodeSequence": gravity("33586001")}, ""),
        ({"PatientOrientationCodeSequence": gravity("10904000"), "PatientPosition": "HFS"}, "standing"),
        ({"PatientOrientationCodeSequence": gravity("33586001"), "PatientPosition": "HFS"}, ""),
        ({"StudyDescription": "PELVIS STANDING"}, ""),
    ],
)
def test_position(film, elements, expected):
    assert read_radiograph(film(HANGING, **elements)).position == expected


def test_another_part_of_the_body_is_noted(film):
    note = read_radiograph(film(HANGING, BodyPartExamined="CHEST")).note
    assert note == "Body Part Examined (0018,0015) CHEST"


# by law


@given(
    across=st.sampled_from("LR"),
    down=st.sampled_from("HF"),
    sideways=st.booleans(),
    rows=st.integers(1, 5),
    columns=st.integers(1, 5),
)
def test_hanging_keeps_every_value_beside_its_neighbours(across, down, sideways, rows, columns):
    pixels = np.arange(rows * columns, dtype=np.float32).reshape(rows, columns)
    centre = (columns - 1.0, 0.0)
    directions = (down, across) if sideways else (across, down)
    hanging, spacing_mm, moved, _ = hung(pixels, (0.2, 0.1), centre, directions=directions)
    assert sorted(hanging.ravel()) == sorted(pixels.ravel())
    assert hanging[int(moved[1]), int(moved[0])] == pixels[0, columns - 1]
    assert spacing_mm == ((0.1, 0.2) if sideways else (0.2, 0.1))
