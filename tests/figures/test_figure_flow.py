"""The flow of patients and hips: every number given stands in the figure, none lies on another."""

from __future__ import annotations

import functools

import numpy as np
import pandas as pd
import pytest
from figure_tables import LABELS, assert_readable, written
from matplotlib.patches import Rectangle
from matplotlib.text import Text

from cohortlib.errors import StudyError
from cohortlib.figures.flow import plot_flow
from cohortlib.figures.style import GROUP_LOOKS, SIZES

VISITS = {"before": "Before", "week_6": "6 weeks", "month_12": "12 months"}


def flow() -> pd.DataFrame:
    """Two arms, three visits; everything that can become of somebody occurs."""
    rows = [
        (0, "enrolled", "", "", "enrolled", 64, 73),
        (0, "enrolled", "", "", "not operated", 4, 0),
        (1, "arm", "resurfacing", "", "in arm", 31, 36),
        (1, "arm", "short_stem", "", "in arm", 30, 37),
        (2, "visit", "resurfacing", "before", "received", 31, 36),
        (2, "visit", "resurfacing", "before", "outside window", 2, 2),
        (2, "visit", "short_stem", "before", "received", 30, 37),
        (3, "visit", "resurfacing", "week_6", "received", 28, 33),
        (3, "visit", "resurfacing", "week_6", "missed", 3, 3),
        (3, "visit", "short_stem", "week_6", "received", 29, 36),
        (3, "visit", "short_stem", "week_6", "death", 1, 1),
        (4, "visit", "resurfacing", "month_12", "received", 14, 16),
        (4, "visit", "resurfacing", "month_12", "missed", 2, 2),
        (4, "visit", "resurfacing", "month_12", "lost", 1, 1),
        (4, "visit", "resurfacing", "month_12", "window open", 3, 4),
        (4, "visit", "resurfacing", "month_12", "not yet due", 9, 10),
        (4, "visit", "resurfacing", "month_12", "withdrawal", 2, 2),
        (4, "visit", "resurfacing", "month_12", "revision", 0, 1),
        (4, "visit", "short_stem", "month_12", "received", 29, 36),
        (4, "visit", "short_stem", "month_12", "death", 1, 1),
        (5, "analysed", "resurfacing", "", "analysed", 14, 16),
        (5, "analysed", "resurfacing", "", "not analysed", 17, 20),
        (5, "analysed", "short_stem", "", "analysed", 29, 36),
        (5, "analysed", "short_stem", "", "not analysed", 1, 1),
    ]
    columns = ["step", "stage", "arm", "visit_id", "outcome", "n_patients", "n_hips"]
    return pd.DataFrame(rows, columns=columns).assign(note="")


def crowded() -> pd.DataFrame:
    """More visits than a slide has room for."""
    last = flow()[lambda rows: rows["visit_id"] == "month_12"]
    later = [last.assign(step=10 + number, visit_id=f"year_{number}") for number in range(2, 6)]
    return pd.concat([flow(), *later], ignore_index=True)


@functools.cache
def plotted(size: str = "double column"):
    return plot_flow(
        flow(),
        labels=LABELS,
        visit_labels=VISITS,
        received="attended",
        title="Patients and hips through the study",
        notes=["Invented data."],
        size=size,
    )


def boxes(figure) -> list[Rectangle]:
    """The framed boxes, without the coloured bars."""
    return [
        patch for patch in figure.axes[0].patches if isinstance(patch, Rectangle) and patch.get_linewidth()
    ]


# --- by hand ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_every_number_given_is_written(size):
    text = written(plotted(size))
    assert "Enrolled 64 patients, 73 hips 4 / 0 not operated on" in text
    assert "Resurfacing 31 patients, 36 hips" in text
    words = {
        "received": "attended",
        "outside window": "outside window",
        "missed": "missed",
        "lost": "lost to follow-up",
        "window open": "may still come",
        "not yet due": "not yet due",
        "withdrawal": "withdrew",
        "death": "died",
        "revision": "revised",
        "not analysed": "not analysed",
    }
    for row in flow().itertuples():
        if row.stage in ("visit", "analysed") and row.outcome in words:
            assert f"{row.n_patients} / {row.n_hips} {words[row.outcome]}" in text
    # 31 and 30 patients in the arms, of 60 operated on: one has a hip in each.
    assert "patients / hips. 1 patient with hips in two arms counts in both. Invented data." in text


def test_an_outcome_that_nobody_had_is_not_written():
    table = pd.concat([flow(), flow().iloc[[8]].assign(outcome="lost", n_patients=0, n_hips=0)])
    text = written(plot_flow(table, labels=LABELS, visit_labels=VISITS))
    assert "0 / 0" not in text


def test_who_came_after_an_ending_stands_with_those_who_came():
    part = flow().iloc[[14]].assign(outcome="after revision", n_patients=1, n_hips=1)
    table = pd.concat([flow(), part])
    figure = plot_flow(table, labels=LABELS, visit_labels=VISITS, size="double column")
    assert "14 / 16 received 1 / 1 after revision" in written(figure)


def test_arms_that_add_up_need_no_word():
    table = flow()
    table.loc[table["outcome"] == "enrolled", "n_patients"] = 65
    assert "two arms" not in written(plot_flow(table, labels=LABELS, visit_labels=VISITS))


def test_a_count_left_out_is_said():
    table = flow().astype({"n_patients": "Int64", "n_hips": "Int64"})
    hidden = table["visit_id"].eq("week_6") & table["arm"].eq("resurfacing")
    table.loc[hidden, ["n_patients", "n_hips"]] = pd.NA
    text = written(plot_flow(table, labels=LABELS, visit_labels=VISITS))
    assert "not shown received" in text
    assert "not shown missed" in text


def test_names_of_visits_stand_once_where_there_is_room():
    count = {size: written(plotted(size)).count("12 months") for size in SIZES}
    assert count == {"single column": 2, "double column": 1, "slide": 1}


def test_arms_keep_their_colours():
    bars = [patch for patch in plotted().axes[0].patches if not patch.get_linewidth()]
    colours = [patch.get_facecolor() for patch in sorted(bars, key=lambda patch: patch.get_x())]
    assert len(set(colours)) == 2
    only = plot_flow(flow()[lambda rows: rows["arm"] != "resurfacing"], labels=LABELS, visit_labels=VISITS)
    assert "Resurfacing" not in written(only)
    assert GROUP_LOOKS[0].colour != GROUP_LOOKS[1].colour


# --- by law ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_readable(size):
    figure = plotted(size)
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(SIZES[size].width_mm)
    assert_readable(figure, least_pt=18 if size == "slide" else 8)


@pytest.mark.parametrize("size", SIZES)
def test_boxes_hold_their_words_and_none_lies_on_another(size):
    figure = plotted(size)
    figure.draw_without_rendering()
    frames = [box.get_window_extent() for box in boxes(figure)]
    for place, one in enumerate(frames):
        for other in frames[place + 1 :]:
            assert one.x1 <= other.x0 or other.x1 <= one.x0 or one.y1 <= other.y0 or other.y1 <= one.y0
    texts: list[Text] = [text for text in figure.axes[0].texts if text.get_text()]
    for text in texts:
        words = text.get_window_extent()
        middle = (words.y0 + words.y1) / 2
        around = [box for box in frames if box.x0 <= words.x0 <= box.x1 and box.y0 <= middle <= box.y1]
        for box in around:
            assert words.x1 <= box.x1 + 0.5, text.get_text()
            assert box.y0 - 1 <= words.y0
            assert words.y1 <= box.y1 + 1


@pytest.mark.parametrize("size", SIZES)
def test_a_millimetre_of_the_diagram_is_one_on_paper(size):
    figure = plotted(size)
    axes = figure.axes[0]
    wide_mm = np.ptp(axes.get_xlim()) / (axes.get_position().width * figure.get_size_inches()[0] * 25.4)
    high_mm = np.ptp(axes.get_ylim()) / (axes.get_position().height * figure.get_size_inches()[1] * 25.4)
    assert (wide_mm, high_mm) == pytest.approx((1, 1))


@pytest.mark.parametrize("size", SIZES)
def test_boxes_of_one_kind_in_a_row_end_on_one_line(size):
    by_top: dict[float, set[tuple[str, float]]] = {}
    for box in boxes(plotted(size)):
        kind = "side" if box.get_facecolor()[:3] == (1, 1, 1) else "main"
        by_top.setdefault(round(box.get_y(), 3), set()).add((kind, round(box.get_height(), 3)))
    assert len(by_top) == 6
    for heights in by_top.values():
        assert len(heights) == len({kind for kind, _ in heights})


def test_rows_in_another_order_of_stages_give_the_same_words():
    table = flow()
    other = pd.concat([table[table["step"] > 2], table[table["step"] <= 2]])
    one, two = (written(plot_flow(rows, labels=LABELS, visit_labels=VISITS)) for rows in (table, other))
    assert one == two


# --- by failure ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "options", "message"),
    [
        (flow().drop(columns="n_hips"), {}, r"flow, n_hips: found no such column"),
        (flow().head(0), {}, r"flow: found 0 rows"),
        (flow().assign(n_hips="many"), {}, r"flow, n_hips: found values of type"),
        (flow().iloc[1:], {}, r"outcome: found 0 rows of enrolled. Expected exactly 1"),
        (
            flow().drop(index=8),
            {},
            r"n_patients: found 28 at week_6, resurfacing. Expected 31, as are in the arm",
        ),
        (flow(), {"labels": {"resurfacing": "Resurfacing"}}, r"flow, arm: found 'short_stem'"),
        (flow(), {"visit_labels": {"before": "Before"}}, r"visit_id: found 'week_6'. Expected one of before"),
        (flow(), {"size": "poster"}, r"size: found 'poster'"),
        (
            crowded(),
            {"size": "slide", "visit_labels": {**VISITS, **{f"year_{n}": f"{n} years" for n in range(2, 6)}}},
            r"size: found a diagram of .* Leave visits or what is outside",
        ),
        (
            flow(),
            {"labels": {"resurfacing": "Resurfacing" * 4, "short_stem": "Short stem"}},
            r"Expected words that fit a box",
        ),
    ],
)
def test_refused(table, options, message):
    with pytest.raises(StudyError, match=message):
        plot_flow(table, **{"labels": LABELS, "visit_labels": VISITS, **options})


def test_every_problem_is_named_at_once():
    with pytest.raises(StudyError) as caught:
        plot_flow(flow().drop(index=[8, 10]), labels=LABELS, visit_labels={"week_6": "6 weeks"})
    assert len(caught.value.problems) == 6
