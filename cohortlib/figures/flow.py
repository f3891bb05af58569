"""The flow of patients and hips: enrolled, by arm, at each visit, analysed."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, Rectangle

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.figures.flow_boxes import Box, bar_mm, flow_boxes, line_mm, padding_mm
from cohortlib.figures.notes import TALLEST_MM, draw_words, make_panels
from cohortlib.figures.rows import check_rows, group_labels
from cohortlib.figures.style import (
    FAINT,
    INK,
    MM_PER_INCH,
    MUTED,
    finish_figure,
    group_looks,
    look,
    make_figure,
)

_COLUMNS = ("step", "stage", "arm", "visit_id", "outcome", "n_patients", "n_hips")
#: In a narrow figure those who did not come stand in the same box as the others.
_SIDE_BY_SIDE = {"single column": False, "double column": True, "slide": True}
_MARGIN_MM = 1.0


def draw_flow(
    axes: Axes,
    table: pd.DataFrame,
    *,
    labels: Mapping[str, str],
    visit_labels: Mapping[str, str],
    received: str,
    width_mm: float,
    side_by_side: bool,
) -> float:
    """Draw the boxes and the lines between them; the axes then count in millimetres, downwards.

    Parameters
    ----------
    axes
        Axes to draw on, inside a `look`.
    table, labels, visit_labels, received
        As in `plot_flow`.
    width_mm
        Of the diagram.
    side_by_side
        Whether those who did not come stand in boxes of their own.

    Returns
    -------
    float
        Height of the diagram [mm].
    """
    boxes, height_mm = flow_boxes(
        table,
        labels=labels,
        visit_labels=visit_labels,
        received=received,
        width_mm=width_mm,
        side_by_side=side_by_side,
    )
    colours = {arm: each.colour for arm, each in group_looks(labels).items()}
    axes.set_axis_off()
    axes.set_xlim(0, width_mm)
    axes.set_ylim(height_mm, 0)
    for box in boxes:
        _draw_box(axes, box, colours.get(box.arm, INK))
    for arm in labels:
        spine = [box for box in boxes if box.kind == "all" or (box.arm == arm and box.kind != "side")]
        for upper, lower in itertools.pairwise(spine):
            _draw_arrow(axes, upper, lower)
    for box in boxes:
        if box.kind == "side":
            main = next(
                one for one in boxes if one.kind == "main" and (one.arm, one.y_mm) == (box.arm, box.y_mm)
            )
            y_mm = box.y_mm + padding_mm() + 0.5 * line_mm()
            axes.plot([main.x_mm + main.width_mm, box.x_mm], [y_mm, y_mm], color=MUTED, clip_on=False)
    return height_mm


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
        of a visit out to draw fewer visits.
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
        One axes. In the lanes counts stand as patients / hips, and a note says so.

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
    _check_flow(table, visits, words)
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        # The layout keeps a margin that grows with the letters.
        margin_mm = 0.2 * line_mm() + _MARGIN_MM
        width_mm = float(figure.get_size_inches()[0]) * MM_PER_INCH - 2 * margin_mm
        (axes,) = make_panels(figure, size, words_beside=False)
        height_mm = draw_flow(
            axes,
            table,
            labels=arms,
            visit_labels=words,
            received=received,
            width_mm=width_mm,
            side_by_side=_SIDE_BY_SIDE[size],
        )
        draw_words(
            figure,
            size,
            [axes],
            title=title,
            panel_mm=height_mm,
            entries=[],
            notes=[" ".join(["Below the arms: patients / hips.", *notes])],
            words_beside=False,
        )
        finish_figure(figure)
        _to_scale(axes, figure, width_mm=width_mm, height_mm=height_mm)
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


def _draw_arrow(axes: Axes, upper: Box, lower: Box) -> None:
    """From the lower edge of one box to the upper edge of the next, in the lane of the lower."""
    x_mm = lower.x_mm + min(0.5 * lower.width_mm, 6 * line_mm())
    width = float(mpl.rcParams["lines.linewidth"])
    axes.add_artist(
        FancyArrowPatch(
            (x_mm, upper.y_mm + upper.height_mm),
            (x_mm, lower.y_mm),
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


def _to_scale(axes: Axes, figure: Figure, *, width_mm: float, height_mm: float) -> None:
    """Let a millimetre of the diagram be one on paper; raises where there are not enough."""
    place, (width_in, height_in) = axes.get_position(), figure.get_size_inches()
    room_x_mm, room_y_mm = place.width * width_in * MM_PER_INCH, place.height * height_in * MM_PER_INCH
    if room_y_mm < height_mm - 0.5 or room_x_mm < width_mm - 0.5:
        raise study_error(
            column="size",
            found=f"a diagram of {width_mm:.0f} by {height_mm:.0f} mm",
            expected=f"at most {room_x_mm:.0f} by {room_y_mm:.0f} mm, in letters that can be read",
            remedy="Leave visits out of the table, shorten the notes, or choose another size",
        )
    spare_mm = room_x_mm - width_mm
    axes.set_xlim(-0.5 * spare_mm, width_mm + 0.5 * spare_mm)
    axes.set_ylim(room_y_mm, 0)


def _check_flow(table: pd.DataFrame, visits: Sequence[str], words: Mapping[str, str]) -> None:
    problems = [
        problem(
            file="flow",
            column="visit_id",
            found=visit,
            expected="one of " + (", ".join(words) or "no visit"),
            remedy="Name the visit in `visit_labels`, or leave its rows out",
        )
        for visit in visits
        if visit not in words
    ]
    if (table["outcome"] == "enrolled").sum() != 1:
        problems.append(
            problem(
                file="flow",
                column="outcome",
                found=f"{(table['outcome'] == 'enrolled').sum()} rows of enrolled",
                expected="exactly 1",
                remedy="Give the table as the function that makes it returns it",
            )
        )
    arms = table[table["stage"] == "arm"].set_index("arm")
    stages = table[table["stage"].isin(["visit", "analysed"]) & (table["outcome"] != "outside window")]
    for (stage, visit, arm), rows in stages.groupby(["stage", "visit_id", "arm"], sort=False):
        for column in ("n_patients", "n_hips"):
            total, parts = arms[column].get(arm, np.nan), rows[column]
            if parts.isna().any() or pd.isna(total) or parts.sum() == total:
                continue
            problems.append(
                problem(
                    file="flow",
                    column=column,
                    found=f"{parts.sum()} at {visit or stage}, {arm}",
                    expected=f"{total}, as are in the arm",
                    remedy="Give all outcomes of a visit",
                )
            )
    if problems:
        raise StudyError(problems)
