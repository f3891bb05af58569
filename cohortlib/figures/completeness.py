"""How complete a study is: a cell for each visit and examination, darker where more is missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_hex, to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from cohortlib.figures.completeness_cells import KEYS, Line, cell_rows, names
from cohortlib.figures.completeness_grid import Columns, SizedRow, columns_of, sized_rows
from cohortlib.figures.millimetres import (
    bar_mm,
    count_in_millimetres,
    drawing_width_mm,
    line_mm,
    room_mm,
)
from cohortlib.figures.notes import TALLEST_MM, draw_words, make_panels
from cohortlib.figures.rows import check_rows, group_labels
from cohortlib.figures.style import FAINT, INK, finish_figure, group_looks, look, make_figure

_COUNTS = ("n_due", "n_received_of_due", "n_overdue", "percent_received_of_due")
#: All that was due came; and this percentage or less. Black letters are read on both, also in grey.
_LIGHTEST, _DARKEST, _DARKEST_PERCENT = "#eef1f5", "#8fa2b8", 60.0
#: Of the width, for the words beside the cells; a narrow figure has them above.
_WORDS_SHARE = {"single column": 0.0, "double column": 0.2, "slide": 0.2}
_NOTE = "Came / due. Not due: after death, withdrawal or revision. Neither came nor overdue: may still come."
_REMEDY = "Leave visits, examinations or arms out of the table, or choose another size"


def plot_completeness(
    table: pd.DataFrame,
    *,
    labels: Mapping[str, str] | None = None,
    visit_labels: Mapping[str, str] | None = None,
    examination_labels: Mapping[str, str] | None = None,
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "single column",
) -> Figure:
    """What share of what was due came, and how much is overdue, at each visit.

    Parameters
    ----------
    table
        examination, counted ("patients" or "hips"), visit_id, n_due, n_received_of_due, n_overdue,
        percent_received_of_due and, for a row of cells an arm, arm; as
        `cohortlib.stats.completeness.completeness_summary` gives them. An examination that is not expected
        at a visit has no row there, and its place stays free.
    labels
        Arm to label, in the study's order; None takes the arms as they stand.
    visit_labels, examination_labels
        To the words that are written, in their order; None takes both as they stand.
    title
        Heading; "" for none.
    notes
        Further lines below, such as the data cut, or that the data are invented.
    size
        One of `cohortlib.figures.style.SIZES`.

    Returns
    -------
    Figure
        One axes. A cell says the percentage, received / due, and how many are overdue; counts that are
        left empty are "not shown". Full darkness is reached at 60 %.

    Raises
    ------
    StudyError
        If a column or a label is missing, a cell has two rows, or the drawing does not fit the size.
    """
    check_rows(table, (*KEYS, *_COUNTS), name="completeness", numbers=_COUNTS)
    by_arm = "arm" in table.columns
    arms = group_labels(table, "arm", labels, name="completeness") if by_arm else {"": ""}
    visits = names(table, "visit_id", visit_labels)
    rows = cell_rows(
        table if by_arm else table.assign(arm=""),
        list(arms),
        names(table, "examination", examination_labels),
    )
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        width_mm = drawing_width_mm(figure)
        (axes,) = make_panels(figure, size, words_beside=False)
        axes.set_axis_off()
        columns = columns_of(visits, width_mm=width_mm, words_mm=_WORDS_SHARE[size] * width_mm, bars=by_arm)
        sized = sized_rows(rows, columns, arms, width_mm=width_mm)
        height_mm = columns.head_mm + sum(row.height_mm for row in sized)
        draw_words(
            figure,
            size,
            [axes],
            title=title,
            panel_mm=height_mm,
            entries=[],
            notes=[" ".join([_NOTE, *notes])],
            words_beside=False,
        )
        finish_figure(figure)
        # A slide keeps its height: what is to spare goes into the cells.
        spare_mm = max(0.0, room_mm(figure, axes)[1] - height_mm) / len(rows)
        sized = [row._replace(cells_mm=row.cells_mm + min(spare_mm, 1.5 * line_mm())) for row in sized]
        height_mm = draw_completeness(axes, sized, columns, labels=arms)
        count_in_millimetres(figure, axes, width_mm=width_mm, height_mm=height_mm, remedy=_REMEDY)
        return figure


def draw_completeness(
    axes: Axes, rows: Sequence[SizedRow], columns: Columns, *, labels: Mapping[str, str]
) -> float:
    """Draw rows of cells below the names of the visits, in millimetres downwards; gives their height [mm].

    Parameters
    ----------
    axes
        Empty axes without frame, inside a `look`.
    rows, columns
        From `cohortlib.figures.completeness_grid`.
    labels
        Arm to label, in the study's order; an arm "" has no bar.
    """
    colours = {arm: each.colour for arm, each in group_looks(labels).items()}
    middle_mm = 0.5 * columns.cell_mm
    for visit, lines in columns.heads.items():
        _write(axes, lines, columns.x_mm[visit] + middle_mm, 0.0, centred=True)
    y_mm = columns.head_mm
    for sized in rows:
        y_mm += sized.gap_mm
        if sized.words_mm:
            _write(axes, sized.words, 0.0, y_mm, centred=False)
        y_mm += sized.words_mm
        if sized.row.arm:
            _fill(axes, columns.words_mm, y_mm, 0.7 * bar_mm(), sized.cells_mm, colours[sized.row.arm])
        most = max(map(len, [*sized.texts.values(), [] if sized.words_mm else sized.words]))
        top_mm = y_mm + 0.5 * (sized.cells_mm - most * line_mm())
        if not sized.words_mm:
            _write(axes, sized.words, 0.0, top_mm, centred=False)
        for visit, lines in sized.texts.items():
            x_mm = columns.x_mm[visit]
            _fill(axes, x_mm, y_mm, columns.cell_mm, sized.cells_mm, _shade(sized.row.cells[visit]))
            _write(axes, lines, x_mm + middle_mm, top_mm, centred=True)
        y_mm += sized.cells_mm
    return y_mm


def _shade(cell: pd.Series) -> str:
    """The colour of a cell: darker where less came; none where nothing is due or shown."""
    percent = cell["percent_received_of_due"]
    if pd.isna(percent):
        return ""
    missing = np.clip((100 - float(percent)) / (100 - _DARKEST_PERCENT), 0, 1)
    light, dark = np.array(to_rgb(_LIGHTEST)), np.array(to_rgb(_DARKEST))
    return to_hex(tuple(light + missing * (dark - light)))


def _fill(axes: Axes, x_mm: float, y_mm: float, width_mm: float, height_mm: float, colour: str) -> None:
    """A filled box; one without a colour has a thin frame instead."""
    look_of_box = (
        {"facecolor": colour, "linewidth": 0} if colour else {"facecolor": "none", "edgecolor": FAINT}
    )
    axes.add_patch(Rectangle((x_mm, y_mm), width_mm, height_mm, clip_on=False, zorder=2, **look_of_box))


def _write(axes: Axes, lines: Sequence[Line], x_mm: float, top_mm: float, *, centred: bool) -> None:
    for number, (line, bold) in enumerate(lines):
        axes.text(
            x_mm,
            top_mm + (number + 0.5) * line_mm(),
            line,
            ha="center" if centred else "left",
            va="center_baseline",
            weight="bold" if bold else "normal",
            color=INK,
            zorder=3,
        )
