"""Cup orientation: what is drawn is what was given."""

from __future__ import annotations

import functools

import numpy as np
import pandas as pd
import pytest
from figure_tables import LABELS, assert_readable, measurements, written, zone
from matplotlib.patches import Rectangle

from cohortlib.errors import StudyError
from cohortlib.figures.cup import cup_points, plot_cup_orientation
from cohortlib.figures.save import data_hash, save_figure
from cohortlib.figures.style import GROUP_LOOKS, SIZES
from cohortlib.figures.zone import short_source


@functools.cache
def plotted(size="single column"):
    return plot_cup_orientation(
        measurements(),
        zone=zone(),
        labels=LABELS,
        title="Cup orientation at 6 weeks",
        notes=["Invented data."],
        size=size,
    )


def markers(figure):
    return [
        line for line in figure.axes[0].lines if line.get_marker() in {each.marker for each in GROUP_LOOKS}
    ]


# --- by hand ---------------------------------------------------------------------------------------


def test_one_marker_a_hip_with_both_angles():
    figure = plotted()
    drawn = [point for line in markers(figure) for point in line.get_xydata().tolist()]
    table = cup_points(measurements(), by="arm").dropna()
    assert sorted(drawn) == sorted(table[["anteversion", "inclination"]].to_numpy().tolist())
    assert len(drawn) == 34


def test_words_say_how_many():
    text = written(plotted())
    assert "n = 28 patients, 34 hips." in text
    assert "Not drawn: 2 hips (2 films allowed no value of one angle or both)." in text
    assert "bars: ±1 sd of one measurement" in text
    assert "cup zone: radiographic inclination 30–50°, anteversion 5–25° (Lewinnek 1978)" in text
    assert "there is no universal safe zone" in text
    assert "Invented data." in text
    counts = measurements().dropna().groupby("arm")["hip_id"].nunique()
    assert f"{counts['resurfacing']} hips" in text


def test_one_angle_alone_is_not_drawn():
    table = measurements(no_value=())
    table.loc[1, "value"] = np.nan
    text = written(plot_cup_orientation(table, zone=None))
    assert "n = 30 patients, 35 hips." in text
    assert "Not drawn: 1 hip (1 film allowed no value" in text


def test_bars_are_one_sd():
    table = measurements(no_value=())
    figure = plot_cup_orientation(table, zone=None, labels={"resurfacing": "R", "short_stem": "S"})
    lengths = [
        float(np.ptp(segment[:, 0]))
        for collection in figure.axes[0].collections
        for segment in collection.get_segments()
        if np.ptp(segment[:, 0]) > 0
    ]
    wanted = 2 * table.loc[table["quantity"] == "anteversion", "sd"]
    assert sorted(lengths) == pytest.approx(sorted(wanted))


def test_zone_is_the_rectangle_published():
    figure = plotted()
    (box,) = [patch for patch in figure.axes[0].patches if isinstance(patch, Rectangle)]
    assert (box.get_x(), box.get_y(), box.get_width(), box.get_height()) == (5, 30, 20, 20)


def test_no_error_stated():
    table = measurements(no_value=())
    table.loc[0, "sd"] = np.nan
    assert "No error stated for 1 hip: no bar." in written(plot_cup_orientation(table, zone=None))


def test_axes_name_the_definition():
    axes = plot_cup_orientation(measurements(), zone=None, definition="operative").axes[0]
    assert (axes.get_xlabel(), axes.get_ylabel()) == (
        "Operative anteversion (°)",
        "Operative inclination (°)",
    )


@pytest.mark.parametrize(
    ("source", "short"),
    [
        ("Lewinnek GE et al., J Bone Joint Surg Am 1978;60:217-20", "Lewinnek 1978"),
        ("van der Voort P, Acta Orthop 2015;86:575", "van der Voort 2015"),
        ("Made up for a test", "Made up for a test"),
    ],
)
def test_short_source(source, short):
    assert short_source(source) == short


# --- by law ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_readable(size):
    figure = plotted(size)
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(SIZES[size].width_mm)
    assert_readable(figure, least_pt=18 if size == "slide" else 8)


def test_rows_in_another_order_give_the_same_figure(tmp_path):
    contents = []
    for table in (measurements(), measurements().sample(frac=1, random_state=1)):
        points = cup_points(table, by="arm")
        figure = plot_cup_orientation(table, zone=zone().iloc[::-1], labels=LABELS)
        paths = save_figure(
            figure, tmp_path / "cup", formats=("svg",), data=points, alt_text="Cups", n_patients=28, n_hips=34
        )
        contents.append((data_hash(points), [path.read_bytes() for path in paths]))
    assert contents[0] == contents[1]


def test_arm_keeps_its_colour_when_the_other_is_missing():
    table = measurements()
    alone = plot_cup_orientation(table[table["arm"] == "short_stem"], zone=None, labels=LABELS)
    assert [line.get_color() for line in markers(alone)] == [GROUP_LOOKS[1].colour]


# --- by failure ------------------------------------------------------------------------------------

BAD = [
    (lambda t: t.drop(columns="sd"), r"measurements, sd: found no such column"),
    (lambda t: t.head(0), r"measurements: found 0 rows\. Expected at least one row"),
    (lambda t: t[t["quantity"] == "inclination"], r"Expected rows of anteversion"),
    (lambda t: t.assign(unit="rad"), r"unit: found 'rad' \(72 rows\)\. Expected 'deg'"),
    (lambda t: pd.concat([t, t.head(1)]), r"hip_id: found 'P00_left' \(2 rows\)"),
    (lambda t: t.assign(value=np.inf), r"value: found an infinite value \(72 rows\)"),
    (lambda t: t.assign(value="44"), r"value: found values of type"),
    (lambda t: t.assign(sd=-1.0), r"sd: found -1\.0 \(72 rows\)"),
    (lambda t: t.assign(value=np.nan), r"value: found no hip with both angles"),
    (lambda t: t.assign(arm=None), r"arm: found no value"),
    (lambda t: t.assign(arm="third"), r"arm: found 'third' .* Expected one of resurfacing, short_stem"),
]


@pytest.mark.parametrize(("spoil", "message"), BAD)
def test_refused_measurements(spoil, message):
    with pytest.raises(StudyError, match=message):
        plot_cup_orientation(spoil(measurements()), zone=None, labels=LABELS)


BAD_ZONES = [
    (lambda z: z.assign(definition="operative"), r"definition: found 'operative'.*Radiographic inclination"),
    (lambda z: z.assign(definition=np.nan), r"definition: found 'nan'"),
    (lambda z: z.head(1), r"zone: found 1 row\. Expected exactly 2 rows"),
    (lambda z: z.assign(quantity="inclination"), r"Expected one row of inclination and one of anteversion"),
    (lambda z: z.assign(upper=np.nan), r"lower, upper: found"),
    (lambda z: z.assign(unit="rad"), r"zone, unit: found 'rad'"),
    (lambda z: z.drop(columns="source"), r"zone, source: found no such column"),
]


@pytest.mark.parametrize(("spoil", "message"), BAD_ZONES)
def test_refused_zone(spoil, message):
    with pytest.raises(StudyError, match=message):
        plot_cup_orientation(measurements(), zone=spoil(zone()))


def test_zone_of_another_definition_than_drawn():
    with pytest.raises(StudyError, match=r"found 'radiographic'.*Operative inclination"):
        plot_cup_orientation(measurements(), zone=zone(), definition="operative")


def test_words_that_do_not_fit_a_slide():
    with pytest.raises(
        StudyError, match=r"notes: found words that need \d+ mm\. Expected at most the height"
    ):
        plot_cup_orientation(measurements(), zone=zone(), notes=["far too long " * 60], size="slide")
