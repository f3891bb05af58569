"""The look: sizes, palette, and that it stays inside its `with` block."""

from __future__ import annotations

import itertools

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.font_manager import FontProperties, findfont
from skimage.color import rgb2lab

from cohortlib.errors import StudyError
from cohortlib.figures.style import FONT, GROUP_LOOKS, SIZES, finish_figure, group_looks, look, make_figure
from cohortlib.figures.words import (
    counted,
    decimals_for,
    interval,
    number,
    p_text,
    percent_text,
    text_width_pt,
    with_unit,
    wrapped,
)

# --- by hand ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "width_mm", "least_pt"),
    [("single column", 85.0, 8), ("double column", 175.0, 8), ("slide", 338.6667, 18)],
)
def test_size_is_exact(size, width_mm, least_pt):
    with look(size):
        figure = make_figure(size)
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(width_mm, abs=1e-3)
    assert SIZES[size].font_pt >= least_pt


def test_slide_is_16_to_9():
    slide = SIZES["slide"]
    assert slide.width_mm / slide.height_mm == pytest.approx(16 / 9, abs=1e-12)


def test_font_ships_with_matplotlib():
    assert mpl.get_data_path() in findfont(FontProperties(family=FONT), fallback_to_default=False)


@pytest.mark.parametrize(
    ("value", "decimals", "text"), [(-1.25, 1, "−1.2"), (0.04, 1, "0.0"), (-0.04, 1, "0.0"), (12, 0, "12")]
)
def test_number(value, decimals, text):
    assert number(value, decimals=decimals) == text


def test_words():
    assert counted(1, "hip") == "1 hip"
    assert counted(0, "hip") == "0 hips"
    assert interval(-1, 2.5, decimals=1) == "−1.0 to 2.5"
    assert p_text(0.0004).replace("\u00a0", " ") == "p < 0.001"
    assert p_text(0.0404).replace("\u00a0", " ") == "p = 0.040"
    assert percent_text(0.95) == "95\u00a0%"
    assert with_unit("Inclination", "deg") == "Inclination (°)"
    assert with_unit("Ratio", "1") == "Ratio"
    assert decimals_for([-3.6, 4.6]) == 1
    assert decimals_for([0.01, 0.03]) == 3
    assert decimals_for([100, 900]) == 0


def test_text_is_never_mathematics():
    with look("single column"):
        figure = make_figure("single column")
        text = figure.text(0, 0, "costs $5 or $6")
        finish_figure(figure)
    assert text.get_parse_math() is False


# --- by reference ----------------------------------------------------------------------------------

# Sight without one kind of cone, severity 1.0, on linear RGB. Machado GM, Oliveira MM, Fernandes LAF,
# IEEE Trans Vis Comput Graph 2009;15:1291-8 (from memory).
SIGHT = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def _linear(colour):
    rgb = np.array([int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)])
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def _lab(linear):
    clipped = np.clip(linear, 0, 1)
    rgb = np.where(clipped <= 0.0031308, clipped * 12.92, 1.055 * clipped ** (1 / 2.4) - 0.055)
    return rgb2lab(rgb[None, None])[0, 0]


@pytest.mark.parametrize("sight", SIGHT)
def test_groups_stay_apart(sight):
    """In every sight lightness alone differs by more than 8, three times a just noticeable difference."""
    seen = [_lab(SIGHT[sight] @ _linear(each.colour)) for each in GROUP_LOOKS]
    lightness = [colour[0] for colour in seen]
    assert min(abs(a - b) for a, b in itertools.combinations(lightness, 2)) > 8
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) > 12


def test_two_groups_differ_most_in_grey():
    first, second = (_lab(_linear(each.colour))[0] for each in GROUP_LOOKS[:2])
    assert abs(first - second) > 40


def test_groups_are_seen_on_white():
    """At least 3 to 1: W3C, Web Content Accessibility Guidelines 2.1, 1.4.11 (from memory)."""
    for each in GROUP_LOOKS:
        luminance = _linear(each.colour) @ [0.2126, 0.7152, 0.0722]
        assert 1.05 / (luminance + 0.05) >= 3


def test_groups_have_markers_of_their_own():
    assert len({each.marker for each in GROUP_LOOKS}) == len(GROUP_LOOKS)


# --- by law ----------------------------------------------------------------------------------------


def test_look_leaves_the_settings_alone():
    before = dict(mpl.rcParams)
    with look("slide"):
        assert mpl.rcParams["font.size"] == 18
    assert dict(mpl.rcParams) == before


def test_look_does_not_depend_on_the_settings():
    with mpl.rc_context({"axes.grid": True, "lines.linestyle": "--"}), look("slide"):
        assert mpl.rcParams["axes.grid"] is False
        assert mpl.rcParams["lines.linestyle"] == "-"


def test_ticks_made_later_keep_their_size():
    with look("slide"):
        figure = make_figure("slide")
        axes = figure.add_subplot()
        axes.plot([0, 1], [0, 1])
        finish_figure(figure)
    axes.set_xlim(0, 1e-3)
    figure.draw_without_rendering()
    assert {label.get_fontsize() for label in axes.get_xticklabels()} == {18}


def test_groups_keep_their_looks_in_the_order_given():
    assert list(group_looks(["a", "b"]).values()) == list(GROUP_LOOKS[:2])


def test_wrapped_lines_fit_and_lose_nothing():
    text = "one two three\u00a0four five six seven eight nine ten"
    broken = wrapped(text, width_pt=70, font_pt=8)
    assert broken.replace("\n", " ") == text
    assert all(text_width_pt(line, font_pt=8) <= 70 for line in broken.split("\n"))


def test_notebook_shows_a_picture_of_the_named_size():
    with look("single column"):
        figure = make_figure("single column")
        figure.add_subplot().plot([0, 1])
        finish_figure(figure)
    assert figure._repr_png_().startswith(b"\x89PNG")
    assert repr(figure) == "<Figure 85 mm wide>"


# --- by failure ------------------------------------------------------------------------------------


def test_unknown_size():
    with pytest.raises(StudyError, match=r"size: found 'poster'\. Expected one of single column, double"):
        make_figure("poster")


def test_too_many_groups():
    with pytest.raises(StudyError, match=r"found 5 groups .* Expected at most 4"):
        group_looks(list("abcde"))
