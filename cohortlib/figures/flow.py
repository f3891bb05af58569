"""The flow of patients and hips: enrolled, by arm, at each visit, analysed."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import matplotlib as mpl
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, Rectangle

from cohortlib.figures.flow_boxes import Box, flow_boxes, stacked
from cohortlib.figures.flow_rows import check_flow, in_two_arms
from cohortlib.figures.millimetres import (
    bar_mm,
    count_in_millimetres,
    drawing_width_mm,
    line_mm,
    padding_mm,
    room_mm,
)
from cohortlib.figures.notes import TALLEST_MM, draw_words, make_panels
from cohortlib.figures.rows import check_rows, group_labels
from cohortlib.figures.style import (
    FAINT,
    INK,
    MUTED,
    finish_figure,
    group_looks,
    look,
    make_figure,
)

_COLUMNS = ("step", "stage", "arm", "visit_id", "outcome", "n_patients", "n_hips")
#: In a narrow figure those who did not come stand in the same box as the others.
_SIDE_BY_SIDE = {"single column": False, "double column": True, "slide": True}
#: Between the boxes, in lines of text; a slide has the least room.
_GAP_LINES = {"single column": 0.9, "double column": 0.5, "slide": 0.3}
_REMEDY = "Leave visits or what is outside its window out of the table, or choose another size"


def draw_flow(axes: Axes, boxes: Sequence[Box], *, labels: Mapping[str, str]) -> None:
    """Draw the boxes and the lines between them on axes that count in millimetres, downwards.

    Parameters
    ----------
    axes
        Empty axes without frame, inside a `look`.
    boxes
        From `cohortlib.figures.flow_boxes.stacked`.
    labels
        Arm to label, in the study's order.
    """
    colours = {arm: each.colour for arm, each in group_looks(labels).items()}
    for box in boxes:
        _draw_box(axes, box, colours.get(box.arm, INK))
    for arm in labels:
        lane = [box for box in boxes if box.arm == arm and box.kind != "side"]
        x_mm = min(box.x_mm + 0.5 * box.width_mm for box in lane)
        for upper, lower in itertools.pairwise([*(box for box in boxes if box.kind == "all"), *lane]):
            _draw_arrow(axes, x_mm, upper.y_mm + upper.height_mm, lower.y_mm)
    mains = {(box.arm, box.y_mm): box for box in boxes if box.kind == "main"}
    for box in boxes:
        if box.kind == "side":
            main, y_mm = mains[box.arm, box.y_mm], box.y_mm + padding_mm() + 0.5 * line_mm()
            axes.plot([main.x_mm + main.width_mm, box.x_mm], [y_mm, y_mm], color=MUTED, clip_on=False)


def plot_flow(
    table: pd.DataFrame,
    *,
    labels: Mapping[str, str] | None = None,
    visit_labels: Mapping[str, str] | None = None,
    received: str = "received",
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "single column",
) -> Figure:
    """Numbers of patients and hips from enrolment to analysis, a lane for each arm.

    Parameters
    ----------
    table
        step, stage (enrolled, arm, visit, analysed), arm, visit_id, outcome, n_patients, n_hips, as
        `cohortlib.stats.flow.flow_table` gives them; an empty count is written as "not shown". Leave rows
        of a visit out to draw fewer visits, and those of "outside window" to draw lower ones.
    labels
        Arm to label, in the study's order; None takes the arms as they stand.
    visit_labels
        Visit to label; None takes the visits as they stand.
    received
        The word for those who came, such as "attended".
    title
        Heading; "" for none.
    notes
        Further lines below, such as that the data are invented.
    size
        One of `cohortlib.figures.style.SIZES`.

    Returns
    -------
    Figure
        One axes. In the lanes counts stand as patients / hips, and a note says so; another says how many
        patients count in two arms.

    Raises
    ------
    StudyError
        If a column or a label is missing, the outcomes of a visit do not add up to their arm, or the
        diagram does not fit the size.

    References
    ----------
    von Elm E et al. The STROBE statement. Lancet 2007;370:1453-7, item 13.
    """
    check_rows(table, _COLUMNS, name="flow", numbers=("n_patients", "n_hips"))
    arms = group_labels(table[table["arm"] != ""], "arm", labels, name="flow")
    arms = {arm: label for arm, label in arms.items() if (table["arm"] == arm).any()}
    visits = [visit for visit in table["visit_id"].unique() if visit]
    words = {visit: visit for visit in visits} if visit_labels is None else dict(visit_labels)
    check_flow(table, visits, words)
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        width_mm = drawing_width_mm(figure)
        (axes,) = make_panels(figure, size, words_beside=False)
        axes.set_axis_off()
        rows = flow_boxes(
            table,
            labels=arms,
            visit_labels=words,
            received=received,
            width_mm=width_mm,
            side_by_side=_SIDE_BY_SIDE[size],
        )
        gap_mm = _GAP_LINES[size] * line_mm()
        height_mm = stacked(rows, gap_mm=gap_mm)[1]
        draw_words(
            figure,
            size,
            [axes],
            title=title,
            panel_mm=height_mm,
            entries=[],
            notes=[" ".join(["Below the arms: patients / hips.", *in_two_arms(table), *notes])],
            words_beside=False,
        )
        finish_figure(figure)
        # A slide keeps its height: what is to spare goes between the boxes.
        spare_mm = room_mm(figure, axes)[1] - height_mm
        gap_mm = min(gap_mm + spare_mm / len(rows), max(gap_mm, line_mm()))
        boxes, height_mm = stacked(rows, gap_mm=gap_mm)
        draw_flow(axes, boxes, labels=arms)
        count_in_millimetres(figure, axes, width_mm=width_mm, height_mm=height_mm, remedy=_REMEDY)
        return figure


def _draw_box(axes: Axes, box: Box, colour: str) -> None:
    width = mpl.rcParams["lines.linewidth"]
    quiet = box.kind == "side"
    if box.kind != "label":
        axes.add_patch(
            Rectangle(
                (box.x_mm, box.y_mm),
                box.width_mm,
                box.height_mm,
                facecolor="white" if quiet else "#f4f4f4",
                edgecolor=FAINT if quiet else MUTED,
                linewidth=0.6 * width,
                clip_on=False,
                zorder=2,
            )
        )
    if box.kind in ("arm", "main"):
        axes.add_patch(
            Rectangle(
                (box.x_mm, box.y_mm),
                bar_mm(),
                box.height_mm,
                facecolor=colour,
                linewidth=0,
                clip_on=False,
                zorder=2.5,
            )
        )
    inset_mm = {"label": 0.0, "side": padding_mm()}.get(box.kind, padding_mm() + bar_mm())
    below = 0 if box.body_mm else len(box.header.split("\n")) if box.header else 0
    for text, weight, x, first in (
        (box.header, "bold", box.x_mm + inset_mm, 0),
        (box.body, "normal", box.x_mm + (box.body_mm or inset_mm), below),
    ):
        for number, line in enumerate(text.split("\n") if text else []):
            y = box.y_mm + padding_mm() + (first + number + 0.5) * line_mm()
            axes.text(x, y, line, ha="left", va="center_baseline", weight=weight, color=INK, zorder=3)


def _draw_arrow(axes: Axes, x_mm: float, from_mm: float, to_mm: float) -> None:
    """From the lower edge of one box to the upper edge of the next."""
    width = float(mpl.rcParams["lines.linewidth"])
    axes.add_artist(
        FancyArrowPatch(
            (x_mm, from_mm),
            (x_mm, to_mm),
            arrowstyle="-|>",
            mutation_scale=5 * width,
            shrinkA=0,
            shrinkB=0,
            color=MUTED,
            linewidth=0.8 * width,
            clip_on=False,
            zorder=1.5,
        )
    )
