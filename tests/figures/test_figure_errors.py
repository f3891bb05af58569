"""Errors of readings by two ways of measuring."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from figure_tables import assert_readable, written

from cohortlib.errors import StudyError
from cohortlib.figures.errors import plot_errors_of_two_ways
from cohortlib.figures.style import SIZES

HOW = {
    "ways": {"clicks": "clicks alone", "pixels": "with pixels"},
    "by": "reader_id",
    "labels": {"R2": "Second", "R1": "First", "R3": "Third", "R4": "Fourth"},
    "unit": "deg",
    "title": "Inclination",
    "notes": ["Invented data."],
}


def errors():
    """Four readers of three hips; one value is missing, and one reading has none."""
    rows = [
        (f"P{hip}", f"H{hip}", f"R{reader}", hip - reader, 0.1 * hip)
        for reader in (1, 2, 3, 4)
        for hip in range(3)
    ]
    table = pd.DataFrame(rows, columns=["patient_id", "hip_id", "reader_id", "clicks", "pixels"])
    table = table.astype({"clicks": float})
    table.loc[0, "pixels"] = np.nan
    table.loc[4, ["clicks", "pixels"]] = np.nan
    return table


# --- by hand ---------------------------------------------------------------------------------------


def test_a_panel_a_reader_in_the_order_of_the_labels():
    figure = plot_errors_of_two_ways(errors(), **HOW)
    panels = figure.axes
    assert [axes.get_title(loc="left") for axes in panels] == ["Second", "First", "Third", "Fourth"]
    marks = [line.get_ydata().tolist() for line in panels[1].lines if line.get_marker() != "None"]
    assert marks == [[-1.0, pytest.approx(np.nan, nan_ok=True)], [0.0, 0.1], [1.0, 0.2]]
    assert [text.get_text() for text in panels[0].get_xticklabels()] == ["clicks\nalone", "with\npixels"]


def test_words_say_how_many():
    text = written(plot_errors_of_two_ways(errors(), **HOW)).replace("\xa0", " ")
    assert "n = 3 patients, 3 hips." in text
    assert "Not drawn: 1 reading without a value." in text
    assert "Reading − truth (°)" in text


# --- by law ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_readable(size):
    figure = plot_errors_of_two_ways(errors(), **HOW, size=size)
    assert len(figure.axes) == 4
    assert_readable(figure, least_pt=18 if size == "slide" else 8)


def test_all_panels_have_one_scale_with_no_error_in_the_middle():
    ranges = {axes.get_ylim() for axes in plot_errors_of_two_ways(errors(), **HOW).axes}
    assert ranges == {(-4 * 1.08, 4 * 1.08)}


def test_no_error_at_all_is_drawn():
    table = errors().assign(clicks=0.0, pixels=0.0)
    assert plot_errors_of_two_ways(table, **HOW).axes[0].get_ylim() == (-1, 1)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_fewer_readers_leave_no_empty_frame(count):
    few = [f"R{number}" for number in range(1, count + 1)]
    table = errors()[lambda rows: rows["reader_id"].isin(few)]
    figure = plot_errors_of_two_ways(table, **HOW | {"labels": {name: name for name in few}})
    assert [axes.get_title(loc="left") for axes in figure.axes if axes.axison] == few
    assert_readable(figure, least_pt=8)


# --- by failure ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "other", "message"),
    [
        (errors().drop(columns="hip_id"), {}, r"errors, hip_id: found no such column"),
        (errors().head(0), {}, r"errors: found 0 rows"),
        (errors().assign(clicks=np.nan, pixels=np.nan), {}, r"errors, clicks, pixels: found no value"),
        (errors().assign(pixels=np.inf), {}, r"errors, pixels: found an infinite value"),
        (errors(), {"labels": {"R1": "First"}}, r"errors, reader_id: found 'R2' \(3 rows\)"),
        (errors(), {"ways": {"clicks": "clicks alone"}}, r"ways: found 1 way\. Expected two ways"),
    ],
)
def test_refused(table, other, message):
    with pytest.raises(StudyError, match=message):
        plot_errors_of_two_ways(table, **HOW | other)
