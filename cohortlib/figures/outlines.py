"""What was fitted on a film and what the readers marked: thin light lines on a dark halo."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patheffects import Stroke, withStroke
from numpy.typing import ArrayLike

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.figures.notes import Entry
from cohortlib.figures.rows import check_rows
from cohortlib.figures.words import counted

#: A fitted outline as a figure takes it: its label, its points (n, 2) [px], one key of `SHAPE_LOOKS`.
Shape = tuple[str, ArrayLike, str]
HALO = "#000000"


class ShapeLook(NamedTuple):
    """Colour and dashes of an outline; all colours are light, so the halo parts them from white metal."""

    colour: str
    dashes: str | tuple[int, tuple[int, ...]]


SHAPE_LOOKS = {
    "cup": ShapeLook("#ffd84d", "-"),
    "head": ShapeLook("#7fe3ff", (0, (6, 2))),
    "stem": ShapeLook("#ff9d7a", (0, (6, 2, 1, 2))),
    "axis": ShapeLook("#b6f09c", (0, (3, 2))),
    "reference": ShapeLook("#ffffff", (0, (1, 1))),
}
_MARK_COLOUR = "#ff8ad8"
_READER_MARKERS = ("+", "x", "1", "2")


def halo(line_pt: float) -> list[Stroke]:
    """A thin dark edge on both sides of a line [pt]."""
    return [withStroke(linewidth=line_pt + 1.0, foreground=HALO, alpha=0.75)]


def check_outlines(shapes: Sequence[Shape], marks: pd.DataFrame | None) -> None:
    """Raise unless every outline is points (n, 2) with a known look and the marks have their columns.

    Raises
    ------
    StudyError
        With every problem found.
    """
    problems = []
    for label, points, key in shapes:
        places = np.asarray(points, dtype=float)
        if places.ndim != 2 or places.shape[1] != 2 or len(places) == 0:
            problems.append(
                problem(
                    file="shapes",
                    column=label,
                    found=f"points of shape {places.shape}",
                    expected="(n, 2): x_px, y_px",
                    remedy="Give the outline as points in pixels",
                )
            )
        if key not in SHAPE_LOOKS:
            problems.append(
                problem(
                    file="shapes",
                    column=label,
                    found=key,
                    expected="one of " + ", ".join(SHAPE_LOOKS),
                    remedy="Say what the outline is",
                )
            )
    if problems:
        raise StudyError(problems)
    if marks is None:
        return
    check_rows(marks, ("reader_id", "x_px", "y_px"), name="marks", numbers=("x_px", "y_px"))
    readers = marks["reader_id"].nunique()
    if readers > len(_READER_MARKERS):
        raise study_error(
            file="marks",
            column="reader_id",
            found=f"{readers} readers",
            expected=f"at most {len(_READER_MARKERS)}",
            remedy="Show fewer readers on one film",
        )


def draw_outlines(axes: Axes, shapes: Sequence[Shape]) -> list[Entry]:
    """Draw fitted outlines in pixels of a film; the entries returned are for a legend, one a label."""
    width = 0.8 * mpl.rcParams["lines.linewidth"]
    entries: dict[str, Entry] = {}
    for label, points, key in shapes:
        places = np.asarray(points, dtype=float)
        (line,) = axes.plot(
            places[:, 0],
            places[:, 1],
            color=SHAPE_LOOKS[key].colour,
            linestyle=SHAPE_LOOKS[key].dashes,
            linewidth=width,
            path_effects=halo(width),
            zorder=3,
        )
        entries.setdefault(label, (line, label))
    return list(entries.values())


def draw_marks(axes: Axes, marks: pd.DataFrame) -> list[Entry]:
    """Draw readers' marks in pixels of a film, a sign a reader; the entries returned are for a legend."""
    width = 0.8 * mpl.rcParams["lines.linewidth"]
    entries: list[Entry] = []
    for reader, sign in zip(sorted(marks["reader_id"].dropna().unique()), _READER_MARKERS, strict=False):
        rows = marks[marks["reader_id"] == reader]
        (signs,) = axes.plot(
            rows["x_px"],
            rows["y_px"],
            linestyle="none",
            marker=sign,
            markersize=0.9 * mpl.rcParams["lines.markersize"],
            markeredgewidth=width,
            color=_MARK_COLOUR,
            path_effects=halo(width),
            zorder=4,
        )
        entries.append((signs, f"reader {reader}: {counted(len(rows), 'mark')}"))
    return entries
