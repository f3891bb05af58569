"""A film with outlines and marks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from figure_tables import assert_readable, film, marks, ring, shapes, written

from cohortlib.errors import StudyError
from cohortlib.figures.film import film_box, plot_film
from cohortlib.figures.outlines import SHAPE_LOOKS
from cohortlib.figures.style import SIZES
from cohortlib.image import SPACING_SOURCES, Radiograph

BOTH = ["left", "right"]


# --- by hand ---------------------------------------------------------------------------------------


def test_box_round_outlines():
    assert film_box(film(), shapes()[:1], margin_px=10) == pytest.approx((135, 55, 245, 165), abs=0.1)


def test_box_stays_on_the_film():
    assert film_box(film(), shapes(), margin_px=1000) == (-0.5, -0.5, 299.5, 239.5)


def test_pixels_lie_where_their_coordinates_say():
    pixels = np.zeros((20, 30), dtype=np.float32)
    pixels[7, 12] = 1
    radiograph = Radiograph(pixels, None, "none")
    figure = plot_film(radiograph, [], crop=(10.2, 5.2, 20, 12), sides=[])
    image = figure.axes[0].images[0]
    left, right, bottom, top = image.get_extent()
    row, column = np.argwhere(image.get_array() == 1)[0]
    assert (left + column + 0.5, top + row + 0.5) == (12, 7)
    assert figure.axes[0].get_ylim() == (12, 5.2)
    assert (right - left, bottom - top) == image.get_array().shape[::-1]


def test_outlines_and_marks_are_those_given():
    axes = plot_film(film(), shapes(), marks(), crop=None, sides=BOTH).axes[0]
    drawn = [line.get_xydata() for line in axes.lines]
    for _, points, _ in shapes():
        assert any(line.shape == points.shape and np.array_equal(line, points) for line in drawn)
    assert sum(len(line) for line in drawn if len(line) == 6) == len(marks()) == 12


def test_words():
    text = written(
        plot_film(film(), shapes(), marks(), crop=None, sides=BOTH, notes=["n = 1 patient, 1 hip."])
    )
    for piece in ("50 mm at the detector", "head", "cup rim", "reader R1: 6 marks", "n = 1 patient, 1 hip."):
        assert piece in text
    assert {"R", "L"} <= set(text.split())


def test_one_side_has_one_letter():
    letters = set(written(plot_film(film(), shapes(), crop=None, sides=["left"])).split())
    assert "L" in letters
    assert "R" not in letters


def test_scale_bar_is_as_long_as_it_says():
    axes = plot_film(film(), shapes(), crop=None, sides=BOTH).axes[0]
    (bar,) = [line for line in axes.lines if len(line.get_xdata()) == 2]
    assert np.ptp(bar.get_xdata()) * 0.5 == 50


@pytest.mark.parametrize("source", SPACING_SOURCES)
def test_scale_names_its_source(source):
    text = written(plot_film(film(source), shapes(), crop=None, sides=BOTH))
    assert ("no scale" in text) == (source == "none")
    assert ("50 mm" in text) == (source != "none")


def test_what_lies_outside_the_crop_is_not_in_the_legend():
    far = [*shapes(), ("far line", np.array([[5.0, 230.0], [20.0, 235.0]]), "reference")]
    text = written(plot_film(film(), far, marks(), crop=(180, 50, 299, 200), sides=BOTH))
    assert "far line" not in text
    assert "reader R1: 3 marks" in text


def test_grey_does_not_follow_a_hot_pixel():
    radiograph = film()
    calm = plot_film(radiograph, [], crop=None, sides=[]).axes[0].images[0].get_clim()
    radiograph.pixels[0, 0] = 1e9
    hot = plot_film(radiograph, [], crop=None, sides=[]).axes[0].images[0].get_clim()
    assert hot == pytest.approx(calm, rel=0.01)


def test_even_film_is_drawn():
    plot_film(Radiograph(np.full((30, 30), 5, np.float32), None, "none"), [], crop=None, sides=[])


# --- by law ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("zoom", [None, (130.0, 50.0, 250.0, 170.0)])
def test_readable(size, zoom):
    figure = plot_film(
        film(),
        shapes(),
        marks(),
        crop=None,
        zoom=zoom,
        sides=BOTH,
        title="Both hips",
        notes=["n = 1."],
        size=size,
    )
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(SIZES[size].width_mm)
    assert_readable(figure, least_pt=18 if size == "slide" else 8)


def test_pixels_that_are_not_square_keep_the_shape_of_the_patient():
    radiograph = Radiograph(film().pixels, (1.0, 0.5), "detector")
    figure = plot_film(radiograph, [], crop=None, sides=[])
    figure.draw_without_rendering()
    box = figure.axes[0].get_window_extent()
    assert box.width / box.height == pytest.approx(300 * 0.5 / (240 * 1.0), rel=1e-6)


def test_outline_colours_are_light():
    """Light on dark tissue; the dark halo parts them from white metal."""
    for each in SHAPE_LOOKS.values():
        rgb = np.array([int(each.colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255
        assert rgb @ [0.2126, 0.7152, 0.0722] > 0.6


# --- by failure ------------------------------------------------------------------------------------

BAD_SHAPES = [
    (("head", ring(1, 1, 1), "circle"), r"shapes, head: found 'circle'\. Expected one of cup, head"),
    (("head", np.zeros((3, 3)), "head"), r"shapes, head: found points of shape \(3, 3\)"),
    (("head", np.zeros((0, 2)), "head"), r"shapes, head: found points of shape \(0, 2\)"),
]


@pytest.mark.parametrize(("shape", "message"), BAD_SHAPES)
def test_refused_shape(shape, message):
    with pytest.raises(StudyError, match=message):
        plot_film(film(), [shape], crop=None, sides=BOTH)


@pytest.mark.parametrize("crop", [(400, 0, 500, 100), (50, 50, 50, 60), (60, 0, 50, 60), (np.nan, 0, 50, 60)])
def test_refused_box(crop):
    with pytest.raises(
        StudyError, match=r"I_P00\.dcm, left, top, right, bottom: found .* 300 columns and 240"
    ):
        plot_film(film(), shapes(), crop=crop, sides=BOTH)


def test_refused_film_marks_and_sides():
    empty = Radiograph(np.full((30, 30), np.nan, np.float32), None, "none", name="empty.dcm")
    with pytest.raises(StudyError, match=r"empty\.dcm, pixels: found no finite pixel"):
        plot_film(empty, [], crop=None, sides=[])
    with pytest.raises(StudyError, match="marks, reader_id: found no such column"):
        plot_film(film(), [], pd.DataFrame({"x_px": [1.0], "y_px": [1.0]}), crop=None, sides=[])
    with pytest.raises(StudyError, match=r"reader_id: found 5 readers. Expected at most 4"):
        plot_film(
            film(),
            [],
            pd.DataFrame({"reader_id": list("abcde"), "x_px": 1.0, "y_px": 1.0}),
            crop=None,
            sides=[],
        )
    with pytest.raises(StudyError, match="sides: found 'L'"):
        plot_film(film(), [], crop=None, sides=["L"])
    with pytest.raises(StudyError, match=r"sides: found 'left'. Expected a list"):
        plot_film(film(), [], crop=None, sides="left")
    with pytest.raises(StudyError, match="found neither an outline nor a mark"):
        film_box(film(), [], margin_px=5)
