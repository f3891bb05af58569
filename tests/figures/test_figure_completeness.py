"""The picture of completeness: every number of the table stands in its cell, darker where more is missing."""

from __future__ import annotations

import functools

import numpy as np
import pandas as pd
import pytest
from figure_tables import LABELS, assert_readable, written
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.colors import rgb_to_hsv, to_rgb
from matplotlib.patches import Rectangle

from cohortlib.errors import StudyError
from cohortlib.figures.completeness import plot_completeness
from cohortlib.figures.completeness_cells import cell_lines
from cohortlib.figures.style import SIZES, look

VISITS = {"before": "Before", "week_6": "6 weeks", "month_12": "12 months"}
EXAMINATIONS = {"visit": "Visit", "oxford_hip_score": "Oxford Hip Score", "radiograph": "Radiograph"}


def line(examination, counted, visit, due, received, overdue):
    percent = 100 * received / due if due else np.nan
    return (examination, counted, visit, due, received, overdue, percent)


def summary(*, by_arm: bool = False) -> pd.DataFrame:
    """Three visits; radiographs are not expected before the operation, and nothing is due at 12 months."""
    rows = [
        line("visit", "patients", "before", 60, 60, 0),
        line("visit", "patients", "week_6", 60, 57, 2),
        line("visit", "patients", "month_12", 40, 20, 17),
        line("oxford_hip_score", "patients", "before", 60, 59, 1),
        line("oxford_hip_score", "patients", "week_6", 60, 56, 3),
        line("oxford_hip_score", "patients", "month_12", 0, 0, 0),
        line("radiograph", "hips", "week_6", 70, 68, 2),
        line("radiograph", "hips", "month_12", 51, 39, 12),
    ]
    columns = [
        "examination",
        "counted",
        "visit_id",
        "n_due",
        "n_received_of_due",
        "n_overdue",
        "percent_received_of_due",
    ]
    table = pd.DataFrame(rows, columns=columns)
    return pd.concat([table.assign(arm=arm) for arm in LABELS]) if by_arm else table


@functools.cache
def plotted(size: str = "double column", by_arm: bool = False):
    table = summary(by_arm=by_arm)
    if by_arm and size == "slide":
        table = table[table["examination"] != "visit"]
    return plot_completeness(
        table,
        labels=LABELS if by_arm else None,
        visit_labels=VISITS,
        examination_labels=EXAMINATIONS,
        title="How complete is the study?",
        notes=["Invented data."],
        size=size,
    )


def cells(figure) -> list[Rectangle]:
    """The cells, without the bars of the arms."""
    patches = [patch for patch in figure.axes[0].patches if isinstance(patch, Rectangle)]
    return [patch for patch in patches if patch.get_width() > 5]


# --- by hand ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_every_number_given_is_written(size):
    text = written(plotted(size))
    for label in (*VISITS.values(), *EXAMINATIONS.values(), "patients", "hips"):
        assert label in text
    for words in ("100 % 60 / 60", "95 % 57 / 60 2 overdue", "50 % 20 / 40 17 overdue", "nothing due"):
        assert words in text
    assert "76 % 39 / 51 12 overdue" in text
    assert "Came / due. Not due: after death, withdrawal or revision." in text
    assert "0 overdue" not in text.replace("20 overdue", "")


def test_an_examination_that_is_not_expected_has_no_cell():
    assert len(cells(plotted())) == len(summary())


def test_darker_where_more_is_missing():
    value = {
        words: rgb_to_hsv(to_rgb(cell.get_facecolor()))[2]
        for words, cell in zip(summary()["n_received_of_due"], cells(plotted()), strict=True)
    }
    assert value[60] > value[57] > value[39] > value[20]


def test_a_count_left_out_is_said():
    table = summary().astype({"n_received_of_due": "Int64", "n_overdue": "Int64"})
    table.loc[1, ["n_received_of_due", "n_overdue"]] = pd.NA
    table.loc[1, "percent_received_of_due"] = np.nan
    table.loc[2, "n_overdue"] = pd.NA
    text = written(plot_completeness(table, visit_labels=VISITS, size="double column"))
    assert "57" not in text
    assert "not shown" in text
    assert "20 / 40 not shown overdue" in text


@pytest.mark.parametrize(
    ("received", "due", "words"),
    [(60, 60, "100 %"), (299, 300, "99 %"), (1, 300, "1 %"), (0, 9, "0 %"), (2, 3, "67 %")],
)
def test_all_is_only_said_of_all(received, due, words):
    cell = pd.Series({"n_due": due, "n_received_of_due": received, "n_overdue": 0})
    with look("slide"):
        first = cell_lines(cell, 60.0)[0]
    assert (first[0].replace("\u00a0", " "), first[1]) == (words, True)


def test_a_row_for_each_arm_with_its_colour():
    figure = plotted(by_arm=True)
    text = written(figure)
    for label in LABELS.values():
        assert text.count(label) == 3
    assert len(cells(figure)) == 2 * len(summary())
    bars = [patch for patch in figure.axes[0].patches if patch.get_width() < 5]
    assert len(bars) == 6
    assert len({bar.get_facecolor() for bar in bars}) == 2


# --- by law ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("by_arm", [False, True])
@pytest.mark.parametrize("size", SIZES)
def test_readable(size, by_arm):
    figure = plotted(size, by_arm)
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(SIZES[size].width_mm)
    assert_readable(figure, least_pt=18 if size == "slide" else 8)


@pytest.mark.parametrize("size", SIZES)
def test_words_lie_inside_their_cells(size):
    figure = plotted(size)
    figure.draw_without_rendering()
    frames = [cell.get_window_extent() for cell in cells(figure)]
    for text in figure.axes[0].texts:
        words = text.get_window_extent()
        x, y = (words.x0 + words.x1) / 2, (words.y0 + words.y1) / 2
        for frame in frames:
            if frame.x0 < x < frame.x1 and frame.y0 < y < frame.y1:
                assert frame.x0 <= words.x0
                assert words.x1 <= frame.x1
                assert frame.y0 - 1 <= words.y0
                assert words.y1 <= frame.y1 + 1


@settings(max_examples=6, deadline=None)
@given(st.permutations(range(8)))
def test_order_of_rows_does_not_matter_where_the_labels_give_it(order):
    options = {"visit_labels": VISITS, "examination_labels": EXAMINATIONS}
    shuffled = summary().iloc[order]
    one, other = (plot_completeness(table, **options) for table in (summary(), shuffled))
    assert sorted(written(one).split()) == sorted(written(other).split())
    assert one.get_size_inches().tolist() == other.get_size_inches().tolist()


# --- by failure ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "options", "message"),
    [
        (summary().drop(columns="n_due"), {}, r"completeness, n_due: found no such column"),
        (summary().head(0), {}, r"completeness: found 0 rows"),
        (summary().assign(n_overdue="many"), {}, r"completeness, n_overdue: found values of type"),
        (
            pd.concat([summary(), summary().head(1)]),
            {},
            r"found 'visit, patients, before, '.* each cell once",
        ),
        (summary(), {"visit_labels": {"before": "Before"}}, r"visit_id: found 'week_6'.* `visit_labels`"),
        (summary(), {"examination_labels": {"visit": "Visit"}}, r"found 'radiograph'.* `examination_labels`"),
        (summary(by_arm=True), {"labels": {"resurfacing": "Resurfacing"}}, r"arm: found 'short_stem'"),
        (summary(), {"size": "poster"}, r"size: found 'poster'"),
        (summary(), {"examination_labels": {**EXAMINATIONS, "visit": "W" * 60}}, r"words that fit the words"),
        (
            pd.concat([summary().assign(examination=f"score_{n}") for n in range(5)]).drop_duplicates(
                ["examination", "counted", "visit_id"]
            ),
            {"size": "slide"},
            r"size: found a diagram of .* Leave visits, examinations or arms",
        ),
    ],
)
def test_refused(table, options, message):
    with pytest.raises(StudyError, match=message):
        plot_completeness(table, **{"visit_labels": VISITS, **options})
