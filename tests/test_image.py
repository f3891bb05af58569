"""Radiograph: pixels that know their millimetres."""

import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.image import SPACING_SOURCES, Radiograph

PIXELS = np.zeros((4, 6), np.float32)
FILM = Radiograph(pixels=PIXELS, spacing_mm=(0.3, 0.25), spacing_source="detector", name="film.dcm")

# by hand


def test_millimetres_go_to_the_right_and_to_the_head():
    # 0.30 mm between rows, 0.25 mm between columns: column 4 is 1 mm to the right, row 2 is 0.6 mm down
    assert FILM.mm([[0, 0], [4, 0], [0, 2], [4, 2]]).tolist() == [[0, 0], [1, 0], [0, -0.6], [1, -0.6]]


def test_places_between_and_outside_the_pixels():
    assert FILM.mm([[-0.5, -0.5], [100, 1.5]]) == pytest.approx(np.array([[-0.125, 0.15], [25, -0.45]]))
    assert FILM.px([[1, -0.6]]) == pytest.approx(np.array([[4, 2]]))


def test_one_point():
    assert FILM.mm([4, 2]).tolist() == [1, -0.6]


def test_what_is_not_stated_is_none_or_empty():
    film = Radiograph(pixels=PIXELS, spacing_mm=None, spacing_source="none")
    assert (film.source_to_detector_mm, film.beam_centre_px, film.beam_centre_source) == (None, None, "")
    assert (film.view, film.position, film.name, film.note) == ("", "", "", "")


def test_every_source_says_what_it_means():
    for source, meaning in SPACING_SOURCES.items():
        spacing_mm = None if source == "none" else (0.2, 0.2)
        assert (
            Radiograph(pixels=PIXELS, spacing_mm=spacing_mm, spacing_source=source).spacing_source == source
        )
        assert len(meaning) > 20


# by law

coordinates = st.lists(st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)), min_size=1, max_size=5)
spacings = st.tuples(st.floats(0.01, 2), st.floats(0.01, 2))


@given(points=coordinates, spacing_mm=spacings)
def test_there_and_back(points, spacing_mm):
    film = Radiograph(pixels=PIXELS, spacing_mm=spacing_mm, spacing_source="unknown")
    assert np.allclose(film.px(film.mm(points)), points, rtol=1e-12, atol=1e-9)


@given(points=coordinates, spacing_mm=spacings, factor=st.floats(0.1, 10))
def test_lengths_scale_with_the_spacing(points, spacing_mm, factor):
    film = Radiograph(pixels=PIXELS, spacing_mm=spacing_mm, spacing_source="detector")
    larger = Radiograph(
        pixels=PIXELS,
        spacing_mm=(spacing_mm[0] * factor, spacing_mm[1] * factor),
        spacing_source="detector",
    )
    assert np.allclose(larger.mm(points), factor * film.mm(points), rtol=1e-12)


def test_survives_the_way_to_a_worker_process():
    again = pickle.loads(pickle.dumps(FILM))
    assert again.spacing_mm == FILM.spacing_mm
    assert np.array_equal(again.pixels, FILM.pixels)


# by failure


@pytest.mark.parametrize("shape", [(4,), (4, 6, 3), (2, 4, 6, 1)])
def test_only_one_grey_image(shape):
    with pytest.raises(StudyError, match=r"film.dcm, pixels: found an array of shape .*one grey image"):
        Radiograph(
            pixels=np.zeros(shape, np.float32), spacing_mm=None, spacing_source="none", name="film.dcm"
        )


def test_unknown_source():
    with pytest.raises(StudyError, match=r"spacing_source: found 'guess'\. Expected one of detector, "):
        Radiograph(pixels=PIXELS, spacing_mm=(0.2, 0.2), spacing_source="guess")


@pytest.mark.parametrize("method", ["mm", "px"])
def test_no_millimetres_without_a_spacing(method):
    film = Radiograph(pixels=PIXELS, spacing_mm=None, spacing_source="none", name="film.dcm")
    with pytest.raises(
        StudyError, match=r"film.dcm, Pixel Spacing \(0028,0030\).*no spacing.*angles and ratios"
    ):
        getattr(film, method)([[0, 0]])
