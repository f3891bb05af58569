"""One radiograph with what was fitted on it and what the readers marked."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.patheffects import withStroke
from matplotlib.transforms import ScaledTranslation
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.figures.notes import TALLEST_MM, WORDS_MM, Entry, draw_words, make_panels
from cohortlib.figures.outlines import HALO, Shape, check_outlines, draw_marks, draw_outlines, halo
from cohortlib.figures.style import INK, finish_figure, look, make_figure, named_size
from cohortlib.image import Radiograph

#: left, top, right, bottom [px].
Box = tuple[float, float, float, float]

_SCALE_TEXT = {
    "detector": "at the detector",
    "calibrated object": "by an object of known size",
    "calibrated geometry": "by an assumed distance of the patient",
    "calibrated, method not stated": "calibrated, method not stated",
    "unknown": "source of the scale unknown",
}


def film_box(
    radiograph: Radiograph, shapes: Sequence[Shape], marks: pd.DataFrame | None = None, *, margin_px: float
) -> Box:
    """The box (left, top, right, bottom) [px] round all outlines and marks, with a margin, inside the film.

    Raises
    ------
    StudyError
        If there is neither an outline nor a mark, or all of them lie off the film.
    """
    check_outlines(shapes, marks)
    places = [np.asarray(points, dtype=float) for _, points, _ in shapes]
    if marks is not None:
        places.append(marks[["x_px", "y_px"]].to_numpy(dtype=float))
    if not places:
        raise study_error(
            file=radiograph.name,
            found="neither an outline nor a mark",
            expected="something to look at",
            remedy="Give the outlines, or a box in pixels",
        )
    every = np.concatenate(places)
    low, high = np.nanmin(every, axis=0) - margin_px, np.nanmax(every, axis=0) + margin_px
    return _inside((float(low[0]), float(low[1]), float(high[0]), float(high[1])), radiograph)


def draw_film(
    axes: Axes,
    radiograph: Radiograph,
    shapes: Sequence[Shape],
    marks: pd.DataFrame | None = None,
    *,
    box: Box | None = None,
) -> list[Entry]:
    """Draw the film inside a box with thin outlines and small marks, so that the edge stays visible.

    Parameters
    ----------
    axes
        Axes to draw on, inside a `look`.
    radiograph, shapes, marks
        As in `plot_film`.
    box
        left, top, right, bottom [px]; None is the whole film. What lies outside is left out.

    Returns
    -------
    list of (artist, text)
        For a legend: one an outline label and one a reader, as far as seen.
    """
    check_outlines(shapes, marks)
    left, top, right, bottom = _inside(_whole(radiograph) if box is None else box, radiograph)
    first_column, first_row = int(np.floor(left + 0.5)), int(np.floor(top + 0.5))
    part = radiograph.pixels[first_row : int(np.ceil(bottom + 0.5)), first_column : int(np.ceil(right + 0.5))]
    darkest, lightest = _window(part, name=radiograph.name)
    row_mm, column_mm = radiograph.spacing_mm or (1.0, 1.0)
    axes.imshow(
        part,
        cmap="gray",
        vmin=darkest,
        vmax=lightest,
        extent=(
            first_column - 0.5,
            first_column + part.shape[1] - 0.5,
            first_row + part.shape[0] - 0.5,
            first_row - 0.5,
        ),
        aspect=row_mm / column_mm,
        zorder=0,
    )
    entries = draw_outlines(
        axes, [shape for shape in shapes if _is_seen(shape[1], (left, top, right, bottom))]
    )
    if marks is not None:
        seen = marks["x_px"].between(left, right) & marks["y_px"].between(top, bottom)
        entries += draw_marks(axes, marks[seen])
    axes.set_xlim(left, right)
    axes.set_ylim(bottom, top)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_anchor("NW")
    axes.spines[:].set_visible(False)
    return entries


def draw_scale_bar(axes: Axes, radiograph: Radiograph, *, name_source: bool = True) -> None:
    """Draw a bar of a round number of millimetres below the film, with where the scale comes from.

    A radiograph without spacing gets the words "no scale" instead of a bar.
    """
    left, right = axes.get_xlim()
    line, font_pt = mpl.rcParams["lines.linewidth"], mpl.rcParams["font.size"]
    # Across in pixels of the film, down in points from its lower edge.
    down = ScaledTranslation(0, -0.9 * font_pt / 72, axes.figure.dpi_scale_trans)
    place = axes.get_xaxis_transform() + down
    end = left
    text = "no scale: angles and ratios only"
    if radiograph.spacing_mm is not None:
        column_mm = radiograph.spacing_mm[1]
        wanted_mm = 0.35 * (right - left) * column_mm
        rounds = [step * 10.0**power for power in range(-2, 4) for step in (1, 2, 5)]
        length_mm = max((value for value in rounds if value <= wanted_mm), default=rounds[0])
        end = left + length_mm / column_mm
        text = f"{length_mm:g} mm"
        if name_source:
            text += f" {_SCALE_TEXT[radiograph.spacing_source]}"
        axes.plot(
            [left, end],
            [0, 0],
            transform=place,
            clip_on=False,
            scalex=False,
            scaley=False,
            color=INK,
            linewidth=2.2 * line,
            solid_capstyle="butt",
        )
    axes.annotate(
        text,
        xy=(end, 0),
        xycoords=place,
        xytext=(0.5 * font_pt if end > left else 0, 0),
        textcoords="offset points",
        ha="left",
        va="center_baseline",
        annotation_clip=False,
    )


def draw_sides(axes: Axes, *, sides: Sequence[str]) -> None:
    """Write R at the left and L at the right of the image, as films hang; `sides` says which."""
    for side, x, align in (("right", 0.03, "left"), ("left", 0.97, "right")):
        if side in sides:
            axes.text(
                x,
                0.97,
                side[0].upper(),
                transform=axes.transAxes,
                ha=align,
                va="top",
                color="white",
                fontweight="bold",
                fontsize=1.25 * mpl.rcParams["font.size"],
                path_effects=[withStroke(linewidth=2.0 * mpl.rcParams["lines.linewidth"], foreground=HALO)],
                zorder=5,
            )


def plot_film(
    radiograph: Radiograph,
    shapes: Sequence[Shape],
    marks: pd.DataFrame | None = None,
    *,
    crop: Box | None,
    sides: Sequence[str],
    zoom: Box | None = None,
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "single column",
) -> Figure:
    """One radiograph with its fitted outlines and the readers' marks, a scale bar and side letters.

    Parameters
    ----------
    radiograph
        White = dense.
    shapes
        (label, points (n, 2) [px], key of `SHAPE_LOOKS`) for each outline, in pixels of the film.
    marks
        Landmark rows of this film: reader_id, x_px, y_px; None for none.
    crop
        left, top, right, bottom [px], such as `film_box` gives; None shows the whole film.
    sides
        The patient's sides shown, "left", "right" or both; each gets its letter. They follow from how
        a film hangs (the patient's left at the right of the image), not from a letter on the film.
    zoom
        A second box, drawn larger in a panel of its own and framed in the first.
    title
        Heading; "" for none.
    notes
        Lines of text, such as the number of patients and hips.
    size
        One of `cohortlib.figures.style.SIZES`; the height follows the crop.

    Returns
    -------
    Figure
        One axes for the film, another with `zoom`.

    Raises
    ------
    StudyError
        If an outline has another shape than (n, 2) or an unknown key, a box lies off the film or is
        empty, or the film holds no finite pixel where it is looked at.

    Notes
    -----
    Grey runs from the 1st to the 99.7th percentile of the pixels shown, so neither the air nor a few
    hot pixels decide it; the panel of `zoom` has its own.
    """
    _check_sides(sides)
    boxes = [_inside(_whole(radiograph) if crop is None else crop, radiograph)]
    if zoom is not None:
        boxes.append(_inside(zoom, radiograph))
    shares = [_share(radiograph, box) for box in boxes]
    chosen = named_size(size)
    beside = _is_larger_beside(shares, width_mm=chosen.width_mm - WORDS_MM[size], height_mm=TALLEST_MM[size])
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        panels = make_panels(
            figure,
            size,
            width_ratios=shares if beside else (1.0,),
            height_ratios=(1.0,) if beside else [1 / share for share in shares],
        )
        entries = draw_film(panels[0], radiograph, shapes, marks, box=boxes[0])
        draw_scale_bar(panels[0], radiograph)
        draw_sides(panels[0], sides=sides)
        if zoom is not None:
            draw_film(panels[1], radiograph, shapes, marks, box=boxes[1])
            draw_scale_bar(panels[1], radiograph, name_source=False)
            _draw_frame(panels[0], boxes[1])
        draw_words(figure, size, panels, title=title, entries=entries, notes=notes, panel_mm=None, dark=True)
        return finish_figure(figure)


def _draw_frame(axes: Axes, box: Box) -> None:
    left, top, right, bottom = box
    width = 0.6 * mpl.rcParams["lines.linewidth"]
    axes.add_patch(
        Rectangle(
            (left, top),
            right - left,
            bottom - top,
            fill=False,
            edgecolor="white",
            linewidth=width,
            path_effects=halo(width),
            zorder=4,
        )
    )


def _window(pixels: NDArray[np.float32], *, name: str) -> tuple[float, float]:
    """Grey values drawn black and white."""
    finite = pixels[np.isfinite(pixels)]
    if finite.size == 0:
        raise study_error(
            file=name,
            column="pixels",
            found="no finite pixel in the box",
            expected="grey values",
            remedy="Look at the image that was read, and at the box",
        )
    low, high = np.percentile(finite, [1.0, 99.7])
    return (float(low), float(high)) if high > low else (float(low) - 0.5, float(low) + 0.5)


def _whole(radiograph: Radiograph) -> Box:
    rows, columns = radiograph.pixels.shape
    return -0.5, -0.5, columns - 0.5, rows - 0.5


def _inside(box: Box, radiograph: Radiograph) -> Box:
    """The box cut to the film; raises where nothing is left."""
    rows, columns = radiograph.pixels.shape
    left, top = max(box[0], -0.5), max(box[1], -0.5)
    right, bottom = min(box[2], columns - 0.5), min(box[3], rows - 0.5)
    # Written so that a missing number fails too.
    if not (right - left >= 1 and bottom - top >= 1):
        raise study_error(
            file=radiograph.name,
            column="left, top, right, bottom",
            found=", ".join(f"{value:g}" for value in box),
            expected=f"a box of at least one pixel inside a film of {columns} columns and {rows} rows",
            remedy="Give the box in pixels of this film",
        )
    return left, top, right, bottom


def _is_seen(points: ArrayLike, box: Box) -> bool:
    """Whether the smallest box round an outline touches the box."""
    places = np.asarray(points, dtype=float)
    low, high = np.nanmin(places, axis=0), np.nanmax(places, axis=0)
    return bool(low[0] <= box[2] and high[0] >= box[0] and low[1] <= box[3] and high[1] >= box[1])


def _share(radiograph: Radiograph, box: Box) -> float:
    """Width over height of a box, in millimetres where the film has them."""
    row_mm, column_mm = radiograph.spacing_mm or (1.0, 1.0)
    return (box[2] - box[0]) * column_mm / ((box[3] - box[1]) * row_mm)


def _is_larger_beside(shares: Sequence[float], *, width_mm: float, height_mm: float) -> bool:
    """Whether panels side by side cover about as much paper as one below another, or more."""
    room_mm = height_mm - 20.0
    beside_mm = min(room_mm, width_mm / sum(shares))
    below_mm = min(width_mm, room_mm / sum(1 / share for share in shares))
    return 1.3 * beside_mm**2 * sum(shares) > below_mm**2 * sum(1 / share for share in shares)


def _check_sides(sides: Sequence[str]) -> None:
    wrong = [side for side in sides if side not in ("left", "right")]
    if wrong or isinstance(sides, str):
        raise study_error(
            column="sides",
            found=str(sides) if isinstance(sides, str) else wrong[0],
            expected="a list of 'left', 'right' or both",
            remedy="Name the patient's sides that are shown",
        )
