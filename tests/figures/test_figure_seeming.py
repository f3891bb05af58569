"""What seems to have changed: bands, open marks, the truth and named limits, each where its number says."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.figures.seeming import plot_seeming_changes
from cohortlib.figures.style import MM_PER_INCH, SIZES

PANELS = {"subsidence": "Subsidence", "cup_inclination_change": "Inclination"}
LIMITS = pd.DataFrame({"quantity": ["subsidence", "other"], "lower": [3.0, 1.0], "upper": [np.nan, 2.0]})


def changes(values=(2.0, -1.0, 5.0, np.nan)):
    rows = [
        (f"H{k}", f"P{k}", quantity, value, unit, 3.0, ("yes", "no")[k % 2], 4.0 * (k == 2), "ab"[k % 2])
        for quantity, unit in (("subsidence", "mm"), ("cup_inclination_change", "deg"))
        for k, value in enumerate(values)
    ]
    columns = ["hip_id", "patient_id", "quantity", "value", "unit", "limit", "comparable", "true", "arm"]
    return pd.DataFrame(rows, columns=columns)


def points(axes):
    """Heights of the marks of hips, in the order of their places; whether each is filled."""
    found = {}
    for line in axes.lines:
        if line.get_marker() in ("o", "^"):
            for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True):
                found[int(x)] = (float(y), line.get_markerfacecolor() != "white")
    return [found[place] for place in sorted(found)]


# by hand


def test_every_value_is_drawn_in_its_order_open_where_technique_changed():
    figure = plot_seeming_changes(changes(), panels=PANELS)
    first, second = figure.axes
    assert points(first) == points(second) == [(-1.0, False), (2.0, True), (5.0, True)]
    assert [axes.get_title(loc="left") for axes in figure.axes] == list(PANELS.values())
    assert [axes.get_ylabel() for axes in figure.axes] == ["mm", "°"]
    assert [round(bar.get_height(), 6) for bar in first.patches] == [6.0] * 3


def test_the_truth_stands_where_something_moved_and_limits_at_their_bounds():
    figure = plot_seeming_changes(changes(), LIMITS, panels=PANELS)
    first, second = figure.axes
    marks = [line for line in first.lines if line.get_marker() == "_"]
    assert [list(line.get_ydata()) for line in marks] == [[4.0]]
    dashed = [line.get_ydata()[0] for line in first.lines if line.is_dashed()]
    assert dashed == [3.0]
    assert not [line for line in second.lines if line.is_dashed()]
    assert "published limit" in [text.get_text() for text in figure.legends[0].get_texts()]


@pytest.mark.parametrize("size", list(SIZES))
def test_the_width_is_that_of_its_name(size):
    figure = plot_seeming_changes(changes(), panels=PANELS, size=size, title="A title", notes=["Invented."])
    assert figure.get_size_inches()[0] * MM_PER_INCH == pytest.approx(SIZES[size].width_mm)


# by law


@given(st.permutations(range(8)))
@settings(max_examples=5, deadline=None)
def test_the_order_of_the_rows_does_not_matter(order):
    one = plot_seeming_changes(changes(), panels=PANELS)
    other = plot_seeming_changes(changes().iloc[list(order)], panels=PANELS)
    assert [points(axes) for axes in one.axes] == [points(axes) for axes in other.axes]


# by failure


@pytest.mark.parametrize(
    ("table", "told"),
    [
        (changes().drop(columns="true"), "no such column"),
        (changes().assign(limit=np.inf), "an infinite value"),
        (changes(values=(np.nan,)), "0 rows"),
        (changes().query("quantity == 'subsidence'"), "cup_inclination_change"),
    ],
)
def test_what_cannot_be_drawn_is_refused(table, told):
    with pytest.raises(StudyError, match=told):
        plot_seeming_changes(table, panels=PANELS)
