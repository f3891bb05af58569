"""Errors of readings, by two ways of measuring: how much of what the hand misses reaches the result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from cohortlib.errors import study_error
from cohortlib.figures.notes import TALLEST_MM, draw_words, make_panels
from cohortlib.figures.rows import check_rows, group_labels, patients_and_hips
from cohortlib.figures.style import FAINT, MUTED, finish_figure, group_looks, look, make_figure
from cohortlib.figures.words import counted, with_unit, wrapped

_PANEL_MM = {"single column": 42.0, "double column": 70.0, "slide": 0.0}
#: Panels side by side; the words below them need the width.
_COLUMNS = {"single column": 2, "double column": 4, "slide": 4}


def plot_errors_of_two_ways(
    errors: pd.DataFrame,
    *,
    ways: Mapping[str, str],
    by: str,
    labels: Mapping[str, str],
    unit: str,
    y_label: str = "Reading − truth",
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "single column",
) -> Figure:
    """Each hip's error by one way and by the other, joined by a line, a pair of columns for every reader.

    Parameters
    ----------
    errors
        One row a hip in a reading: hip_id, patient_id, the column `by`, and a column for each way, missing
        where there is no value.
    ways
        Two columns of `errors` and what stands below them.
    by, labels
        Column of the readers, and reader to label, in order; at most four.
    unit
        UCUM unit of the errors.
    y_label, title, notes, size
        As in every figure; the vertical axis reaches as far below zero as above.

    Returns
    -------
    Figure
        One panel a reader, all on one scale. A hip with a value by one way only is a mark without a line; one
        without any is counted below.

    Raises
    ------
    StudyError
        If a column is missing, a reader is not in `labels`, there are not two ways, or there is no value.
    """
    first, second = _two(ways)
    check_rows(errors, ("hip_id", "patient_id", by, first, second), name="errors", numbers=(first, second))
    names = group_labels(errors, by, labels, name="errors")
    looks = group_looks(list(names))
    empty = errors[[first, second]].isna().all(axis=1)
    if empty.all():
        raise study_error(
            file="errors",
            column=f"{first}, {second}",
            found="no value",
            expected="at least one",
            remedy="Look at the selection made before drawing",
        )
    reach = 1.08 * float(np.nanmax(np.abs(errors[[first, second]].to_numpy(dtype=float)))) or 1.0
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        columns = min(_COLUMNS[size], len(names))
        lines = -(-len(names) // columns)
        panels = make_panels(
            figure, size, width_ratios=[1.0] * columns, height_ratios=[1.0] * lines, words_beside=False
        )
        # A word a line: two ways stand side by side below each panel.
        below = [wrapped(text, width_pt=0, font_pt=mpl.rcParams["font.size"]) for text in ways.values()]
        for axes in panels[len(names) :]:
            axes.set_axis_off()
        for place, (axes, (name, label)) in enumerate(zip(panels, names.items(), strict=False)):
            pairs = errors.loc[errors[by] == name, [first, second]].to_numpy(dtype=float)
            _draw_pairs(axes, pairs, colour=looks[name].colour, marker=looks[name].marker)
            axes.set_title(label)
            axes.set_xticks([0, 1], below)
            axes.set_xlim(-0.5, 1.5)
            axes.set_ylim(-reach, reach)
            axes.yaxis.set_major_locator(MaxNLocator(nbins="auto", steps=[1, 2, 5, 10]))
            if place % columns:
                axes.tick_params(labelleft=False)
            else:
                axes.set_ylabel(with_unit(y_label, unit))
        draw_words(
            figure,
            size,
            panels,
            title=title,
            panel_mm=_PANEL_MM[size] or None,
            entries=(),
            notes=[
                f"n = {patients_and_hips(errors[~empty])}. A line joins the two values of a hip.",
                f"Not drawn: {counted(int(empty.sum()), 'reading')} without a value." if empty.any() else "",
                *notes,
            ],
            words_beside=False,
        )
        return finish_figure(figure)


def _two(ways: Mapping[str, str]) -> tuple[str, str]:
    if len(ways) != 2:
        raise study_error(
            column="ways", found=counted(len(ways), "way"), expected="two ways", remedy="Name two columns"
        )
    first, second = ways
    return first, second


def _draw_pairs(axes: Axes, pairs: np.ndarray, *, colour: str, marker: str) -> None:
    width = mpl.rcParams["lines.linewidth"]
    axes.axhline(0, color=MUTED, linewidth=0.6 * width, zorder=1)
    axes.plot([0, 1], pairs.T, color=FAINT, linewidth=0.7 * width, zorder=2)
    axes.plot(
        [0, 1],
        pairs.T,
        linestyle="none",
        marker=marker,
        color=colour,
        markeredgecolor="white",
        markeredgewidth=0.4 * width,
        zorder=3,
    )
