"""Agreement: difference against mean with the limits given."""

from __future__ import annotations

import functools

import numpy as np
import pandas as pd
import pytest
from figure_tables import assert_readable, limits, pairs, written

from cohortlib.errors import StudyError
from cohortlib.figures.agreement import agreement_points, plot_agreement
from cohortlib.figures.style import SIZES

READERS = {"first": "reader A", "second": "reader B"}


@functools.cache
def plotted(size="single column", half_range=None):
    return plot_agreement(
        pairs(),
        limits().assign(method="bias by t", note=""),
        unit="deg",
        half_range=half_range,
        title="Anteversion, two readers",
        notes=["Invented data."],
        size=size,
        **READERS,
    )


def markers(figure):
    return [line for line in figure.axes[0].lines if line.get_marker() == "o"]


# --- by hand ---------------------------------------------------------------------------------------


def test_points_by_hand():
    table = pd.DataFrame({"hip_id": ["H1"], "patient_id": ["P1"], "a": [12.0], "b": [10.0]})
    points = agreement_points(table, first="a", second="b")
    assert points.loc[0, ["mean", "difference"]].tolist() == [11.0, 2.0]


def test_one_marker_a_complete_pair():
    (line,) = markers(plotted())
    complete = pairs().dropna()
    wanted = sorted(complete["reader A"] - complete["reader B"])
    assert sorted(line.get_ydata()) == pytest.approx(wanted)
    assert len(wanted) == 35


def test_lines_are_those_given():
    axes = plotted().axes[0]
    heights = {line.get_ydata()[0] for line in axes.lines if len(line.get_ydata()) == 2}
    assert heights == {0, 0.5, -3.6, 4.6}
    bands = {(patch.get_y(), round(patch.get_height(), 9)) for patch in axes.patches}
    assert bands == {(-0.2, 1.4), (-4.8, 2.4), (3.4, 2.4)}


def test_words_say_how_many():
    text = written(plotted())
    assert "n = 35 pairs: 29 images, 29 patients, 35 hips." in text
    assert "Not drawn: 1 pair without both readings." in text
    assert "bias 0.5 (−0.2 to 1.2)" in text
    assert "lower limit −3.6 (−4.8 to −2.4)" in text
    assert "95 % confidence interval" in text
    assert "Method: bias by t." in text
    assert "reader A − reader B (°)" in text


def test_half_range_is_kept():
    assert plotted(half_range=60.0).axes[0].get_ylim() == (-60, 60)


# --- by law ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("half_range", [None, 60.0])
def test_readable(size, half_range):
    figure = plotted(size, half_range)
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(SIZES[size].width_mm)
    assert_readable(figure, least_pt=18 if size == "slide" else 8)


def test_no_difference_lies_in_the_middle():
    low, high = plotted().axes[0].get_ylim()
    assert low == -high


def test_rows_in_another_order_give_the_same_points():
    shuffled = pairs().sample(frac=1, random_state=2)
    pd.testing.assert_frame_equal(agreement_points(shuffled, **READERS), agreement_points(pairs(), **READERS))


# --- by failure ------------------------------------------------------------------------------------

BAD = [
    (pairs().drop(columns="patient_id"), limits(), r"pairs, patient_id: found no such column"),
    (pairs().head(0), limits(), r"pairs: found 0 rows"),
    (pairs().assign(**{"reader B": np.nan}), limits(), r"pairs: found no pair with both readings"),
    (pairs(), limits(n=36), r"limits, n: found 36\.0\. Expected 35, the pairs drawn"),
    (pairs(), limits().drop(columns="bias"), r"limits, bias: found no such column"),
    (pairs(), pd.concat([limits(), limits()]), r"limits: found 2 rows\. Expected exactly 1 row"),
    (pairs(), limits().assign(upper=np.nan), r"limits, upper: found no value"),
    (pairs(), limits().assign(bias_ci_low=9.0), r"limits, bias_ci_low: found 9\.0\. Expected at most"),
]


@pytest.mark.parametrize(("table", "row", "message"), BAD)
def test_refused(table, row, message):
    with pytest.raises(StudyError, match=message):
        plot_agreement(table, row, unit="deg", **READERS)


def test_a_reading_is_not_compared_with_itself():
    with pytest.raises(StudyError, match=r"first, second: found reader A. Expected two columns"):
        plot_agreement(pairs(), limits(), first="reader A", second="reader A", unit="deg")


def test_half_range_must_hold_everything():
    with pytest.raises(StudyError, match=r"half_range: found 3\. Expected at least"):
        plot_agreement(pairs(), limits(), unit="deg", half_range=3, **READERS)
