"""Profiles across an interface, and how well lines are seen over noise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from figure_tables import assert_readable, film, ring

from cohortlib.errors import StudyError
from cohortlib.figures.over_noise import plot_over_noise
from cohortlib.figures.profiles import plot_profiles
from cohortlib.figures.style import SIZES

LEVELS = pd.DataFrame(
    {
        "noise_sd": [0.5, 0.04, 0.02, 0.2],
        "seen": [np.nan, 0.98, 0.99, 0.96],
        "seen_ci_low": [np.nan, 0.95, 0.97, 0.9],
        "seen_ci_high": [np.nan, 1.0, 1.0, 0.99],
        "quiet": [np.nan, 1.0, 0.99, 1.0],
        "refused": [1.0, 0.03, 0.02, 0.4],
        "middle_mm": [np.nan, 0.03, 0.02, 0.05],
        "most_mm": [np.nan, 0.06, 0.05, 0.1],
    }
)
NOISE = {
    "right": {"seen": "sensitivity", "quiet": "specificity"},
    "refused": "refused",
    "errors": {"middle_mm": "median", "most_mm": "nine in ten below"},
    "unit": "mm",
    "usual": 0.04,
    "least_right": 0.95,
    "most_error": 0.2,
}
SHAPES = [("edge", ring(190, 110, 45), "cup")]


def profiles(stretch="line"):
    outside = np.linspace(-1.5, 6, 26)
    rows = [
        (along, name, x, 0.2 + 0.8 * (x > 0) + 0.2 * (name == stretch) * (0 < x < 2))
        for along in (0.3, 0.9)
        for name in ("line", "bone")
        for x in outside
    ]
    return pd.DataFrame(rows, columns=["along_mm", "stretch", "outside_mm", "exposure"])


def means():
    return profiles().groupby(["stretch", "outside_mm"], as_index=False)["exposure"].mean()


def text_of(figure):
    texts = [text.get_text() for axes in figure.axes for text in axes.texts]
    legends = [
        text.get_text() for axes in figure.axes if axes.get_legend() for text in axes.get_legend().get_texts()
    ]
    return " ".join([*texts, *legends, figure.get_supxlabel()]).replace("\xa0", " ").replace("\n", " ")


# ---- by hand -------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_shares_in_percent_and_errors_over_noise_in_order(size):
    figure = plot_over_noise(LEVELS, **NOISE, size=size)
    shares, widths = figure.axes[:2]
    drawn = [line for line in shares.lines if len(line.get_xdata()) == 4]
    assert [line.get_xdata().tolist() for line in drawn] == [[0.02, 0.04, 0.2, 0.5]] * 3
    assert drawn[0].get_ydata()[:3] == pytest.approx([99, 98, 96])
    assert drawn[2].get_ydata() == pytest.approx([2, 3, 40, 100])
    drawn = [line for line in widths.lines if len(line.get_xdata()) == 4]
    assert drawn[1].get_ydata()[:3] == pytest.approx([0.05, 0.06, 0.1])
    words = text_of(figure)
    for part in (
        "sensitivity",
        "not assessable",
        "nine in ten below",
        "usual",
        "at least 95 %",
        "at most 0.2 mm",
    ):
        assert part in words


def test_the_ground_is_grey_where_nothing_is_answered_and_nowhere_else():
    shares = plot_over_noise(LEVELS, **NOISE).axes[0]
    (band,) = shares.patches
    low, high = (band.get_path().vertices @ band.get_patch_transform().get_matrix()[:2, :2].T)[[0, 2], 0]
    left = band.get_x()
    assert 0.2 < left < 0.5 < left + band.get_width()
    assert low != high
    answered = LEVELS[LEVELS["refused"] < 1]
    assert not plot_over_noise(answered, **NOISE).axes[0].patches


@pytest.mark.parametrize("size", SIZES)
def test_every_profile_faint_and_each_mean_bold(size):
    figure = plot_profiles(film(), SHAPES, profiles(), means(), width_mm=2.0, size=size)
    axes = figure.axes[1]
    drawn = [line for line in axes.lines if len(line.get_xdata()) == 26]
    assert sum(line.get_alpha() is not None for line in drawn) == 4
    assert sum(line.get_alpha() is None for line in drawn) == 2
    metal, line = axes.patches
    assert (metal.get_x(), metal.get_x() + metal.get_width()) == pytest.approx((-1.5, 0))
    assert (line.get_x(), line.get_width()) == pytest.approx((0, 2.0))
    assert {"metal", "line", "bone"} <= set(text_of(figure).split())


def test_without_a_width_there_is_no_band():
    axes = plot_profiles(film(), SHAPES, profiles(), means()).axes[1]
    assert len(axes.patches) == 1


@pytest.mark.parametrize(
    ("size", "least_pt"), [("single column", 7.0), ("double column", 7.5), ("slide", 15.0)]
)
def test_words_can_be_read(size, least_pt):
    told = {"title": "Lines", "notes": ["1 invented patch."], "size": size}
    assert_readable(plot_over_noise(LEVELS, **NOISE, **told), least_pt=least_pt)
    figure = plot_profiles(film(), SHAPES, profiles(), means(), width_mm=2.0, **told)
    figure.axes[0].get_legend().remove()  # that one lies on the film, on a dark ground
    assert_readable(figure, least_pt=least_pt)


# ---- by failure ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"noise_sd": [0.0, 0.04, 0.02, 0.2]}, "levels above 0"),
        ({"noise_sd": [0.02, 0.04, 0.02, 0.2]}, "each once"),
        ({"refused": [100.0, 3.0, 2.0, 40.0]}, "Divide percent by 100"),
        ({"seen": ["a"] * 4}, "seen"),
    ],
)
def test_levels_that_cannot_be(change, match):
    with pytest.raises(StudyError, match=match):
        plot_over_noise(LEVELS.assign(**change), **NOISE)


def test_a_missing_column():
    with pytest.raises(StudyError, match="no such column"):
        plot_over_noise(LEVELS.drop(columns="refused"), **NOISE)


@pytest.mark.parametrize(
    ("rows", "mean", "width", "match"),
    [
        (profiles().drop(columns="exposure"), means(), None, "no such column"),
        (profiles(), means()[lambda table: table["stretch"] == "line"], None, "no mean of bone"),
        (profiles(), means(), 0.0, "a width above 0"),
    ],
)
def test_profiles_that_cannot_be_drawn(rows, mean, width, match):
    with pytest.raises(StudyError, match=match):
        plot_profiles(film(), SHAPES, rows, mean, width_mm=width)
