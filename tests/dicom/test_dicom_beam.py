"""Source distance and central ray."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset

from cohortlib.dicom import read_radiograph
from cohortlib.dicom.beam import beam_centre_px, source_to_detector_mm

EDGES = (
    "CollimatorLeftVerticalEdge",
    "CollimatorRightVerticalEdge",
    "CollimatorUpperHorizontalEdge",
    "CollimatorLowerHorizontalEdge",
)


def header(rows, columns, edges=(), **elements):
    dataset = Dataset()
    dataset.Rows, dataset.Columns = rows, columns
    for keyword, value in (*zip(EDGES, edges, strict=False), *elements.items()):
        setattr(dataset, keyword, value)
    return dataset


# by hand: the collimator counts from 1, the project from 0


@pytest.mark.parametrize(
    ("rows", "columns", "edges", "expected"),
    [
        # one pixel: edges 1 and 1, its middle is (0, 0)
        (1, 1, (1, 1, 1, 1), (0, 0)),
        # five columns, the whole of them: the middle is the third, x = 2; three rows: the second, y = 1
        (3, 5, (1, 5, 1, 3), (2, 1)),
        # ten columns, the whole of them: between the fifth and the sixth, x = 4.5
        (10, 10, (1, 10, 1, 10), (4.5, 4.5)),
        # columns 3 to 8 of 10: between the fifth and the sixth; rows 2 to 6 of 8: the fourth, y = 3
        (8, 10, (3, 8, 2, 6), (4.5, 3)),
        # the field reaches beyond the image on both sides
        (100, 100, (-9, 110, 1, 100), (49.5, 49.5)),
    ],
)
def test_middle_of_the_collimated_field(rows, columns, edges, expected):
    centre, source, notes = beam_centre_px(header(rows, columns, edges))
    assert (centre, source, notes) == (expected, "middle of the collimated field", [])


def test_circular_collimator_gives_row_then_column():
    centre, source, notes = beam_centre_px(header(50, 80, CenterOfCircularCollimator=[21, 41]))
    assert (centre, source, notes) == ((40, 20), "centre of the circular collimator", [])


def test_no_collimator_no_centre():
    assert beam_centre_px(header(50, 80)) == (None, "", [])
    assert beam_centre_px(header(50, 80, (1, 80, 1))) == (None, "", [])


def test_distance(film):
    read = read_radiograph(film(np.zeros((4, 6), np.uint16), DistanceSourceToDetector="1150.5"))
    assert read.source_to_detector_mm == 1150.5
    assert (read.beam_centre_px, read.beam_centre_source, read.note) == (None, "", "")


@pytest.mark.parametrize(("value", "noted"), [(None, False), ("0", False), ("115", True), ("11500", True)])
def test_distance_absent_zero_or_in_another_unit(value, noted):
    found, notes = source_to_detector_mm(header(4, 6, DistanceSourceToDetector=value))
    assert found is None
    assert bool(notes) == noted
    assert not noted or f"(0018,1110) {value} is no distance in mm" in notes[0]


# by law


@settings(max_examples=100, deadline=None)
@given(
    size=st.integers(20, 4000),
    centre=st.integers(5, 3990),
    half=st.integers(2, 2000),
)
def test_a_field_inside_the_image_is_found_again(size, centre, half):
    # truth: the central ray meets pixel `centre`, the collimator opens `half` pixels to either side
    if half > min(centre - 1, size - 2 - centre) or 2 * half + 1 < size / 10:
        return
    edges = (centre + 1 - half, centre + 1 + half, centre + 1 - half, centre + 1 + half)
    assert beam_centre_px(header(size, size, edges))[0] == (centre, centre)


# by failure


@pytest.mark.parametrize(
    ("edges", "why"),
    [
        ((0, 0, 0, 0), "all zero"),
        ((80, 20, 1, 50), "left right of right"),
        ((-184, 184, 10, 40), "about another origin, as in a real film"),
        ((40, 44, 10, 40), "less than a tenth of the columns"),
        ((1, 60, 10, 40), "cut by the detector at the left"),
        ((20, 80, 10, 50), "cut by the detector below"),
        ((90, 200, 10, 40), "the middle is off the image"),
    ],
)
def test_edges_that_tell_no_centre(edges, why):
    centre, source, notes = beam_centre_px(header(50, 80, edges))
    assert (centre, source) == (None, ""), why
    assert notes == [f"collimator edges {', '.join(map(str, edges))} give no beam centre"]


def test_circle_off_the_image():
    centre, _, notes = beam_centre_px(header(50, 80, CenterOfCircularCollimator=[41, 0]))
    assert centre is None
    assert "off the image" in notes[0]


def test_tilted_beam_has_no_centre():
    tilted = header(50, 80, (11, 70, 6, 45), DetectorPrimaryAngle="12")
    assert beam_centre_px(tilted)[0] is None
    assert "Detector Primary Angle (0018,1530) 12: no beam centre" in beam_centre_px(tilted)[2][0]
    assert beam_centre_px(header(50, 80, (11, 70, 6, 45), DetectorPrimaryAngle="0.4"))[0] == (39.5, 24.5)
