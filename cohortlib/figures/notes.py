"""Words around a drawing: heading on top, legend and notes above and below it, or beside it if it is wide."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.legend import Legend

from cohortlib.errors import study_error
from cohortlib.figures.style import INK, MM_PER_INCH, MUTED
from cohortlib.figures.words import text_width_pt, wrapped

#: Width of the column of words at the right of a wide figure [mm]; a narrow one has none.
WORDS_MM = {"single column": 0.0, "double column": 56.0, "slide": 104.0}
#: No figure is taller than this [mm]: a page has room for a caption, a slide has its own shape.
TALLEST_MM = {"single column": 220.0, "double column": 150.0, "slide": 190.5}
_EDGE_MM = 1.5
_DARK_GROUND = {
    "frameon": True,
    "facecolor": "#2b2b2b",
    "edgecolor": "#2b2b2b",
    "framealpha": 1.0,
    "fancybox": False,
    "labelcolor": "white",
}
_NO_GROUND = {"frameon": False, "labelcolor": INK}

Entry = tuple[Artist | tuple[Artist, ...], str]


def make_panels(
    figure: Figure,
    size: str,
    *,
    width_ratios: Sequence[float] = (1.0,),
    height_ratios: Sequence[float] = (1.0,),
    words_beside: bool = True,
) -> list[Axes]:
    """The axes to draw on, row by row, leaving room for `draw_words`.

    Parameters
    ----------
    figure
        An empty figure.
    size
        One of `SIZES`.
    width_ratios, height_ratios
        Shares of the room, one entry a column and a row.
    words_beside
        Whether a wide figure keeps a column for words at its right.
    """
    width_mm = _size_mm(figure)[0]
    share = WORDS_MM[size] / width_mm if words_beside else 0.0
    engine = figure.get_layout_engine()
    if isinstance(engine, ConstrainedLayoutEngine):
        engine.set(rect=(0, 0, 1 - share, 1))
    grid = GridSpec(
        len(height_ratios),
        len(width_ratios),
        figure=figure,
        width_ratios=list(width_ratios),
        height_ratios=list(height_ratios),
    )
    return [
        figure.add_subplot(grid[row, column])
        for row in range(len(height_ratios))
        for column in range(len(width_ratios))
    ]


def draw_words(
    figure: Figure,
    size: str,
    panels: Sequence[Axes],
    *,
    title: str,
    entries: Sequence[Entry],
    notes: Sequence[str],
    panel_mm: float | None,
    words_beside: bool = True,
    dark: bool = False,
) -> None:
    """Write heading, legend and notes where they hide no data, and give the figure the height it needs.

    Parameters
    ----------
    figure, size, words_beside
        As given to `make_panels`.
    panels
        What `make_panels` gave, drawn.
    title
        Heading; "" takes no room.
    entries
        (artist, text) for the legend.
    notes
        Each from a new line; empty ones are left out.
    panel_mm
        Height of the panels [mm]; None where their aspect decides it. A slide keeps its own height.
    dark
        Put the legend on a dark ground, for light lines drawn on a film.

    Raises
    ------
    StudyError
        If the words do not fit beside the drawing on a slide.
    """
    width_mm = _size_mm(figure)[0]
    text = "\n".join(note.strip() for note in notes if note.strip())
    if title:
        # Bold letters of this font are about a seventh wider than those the width is measured with.
        figure.suptitle(_wrapped(title, (width_mm - 2 * _EDGE_MM) / 1.15), x=_EDGE_MM / width_mm, ha="left")
    beside = words_beside and WORDS_MM[size] > 0
    if not beside:
        if entries:
            _legend(panels[0], entries, width_mm=(0.97 if dark else 0.86) * width_mm, above=True, dark=dark)
        if text:
            figure.supxlabel(
                _wrapped(text, width_mm - 2 * _EDGE_MM),
                x=_EDGE_MM / width_mm,
                ha="left",
                ma="left",
                color=MUTED,
            )
    _fit_height(figure, size, panels, panel_mm=panel_mm)
    if beside:
        _draw_beside(figure, size, panels, entries=entries, text=text, dark=dark)


def _draw_beside(
    figure: Figure, size: str, panels: Sequence[Axes], *, entries: Sequence[Entry], text: str, dark: bool
) -> None:
    """Legend and notes in the column at the right, from the drawing's upper edge downwards."""
    width_mm, height_mm = _size_mm(figure)
    figure.draw_without_rendering()
    boxes = [box for box in (panel.get_tightbbox() for panel in panels) if box is not None]
    edge_mm = max(box.x1 for box in boxes) / figure.dpi * MM_PER_INCH
    left_mm = min(edge_mm + 3 * _EDGE_MM, width_mm - WORDS_MM[size] + _EDGE_MM)
    room_mm = width_mm - left_mm - _EDGE_MM
    words = figure.add_axes((left_mm / width_mm, 0, room_mm / width_mm, 1))
    words.set_axis_off()
    words.set_in_layout(False)
    top_mm = height_mm * (1 - max(panel.get_position().y1 for panel in panels))
    line_mm = 1.2 * mpl.rcParams["font.size"] / 72 * MM_PER_INCH
    needed_mm = top_mm + _EDGE_MM
    legend = None
    if entries:
        legend = _legend(words, entries, width_mm=room_mm, above=False, dark=dark)
        legend_mm = legend.get_window_extent().height / figure.dpi * MM_PER_INCH
        needed_mm += legend_mm + line_mm
    text = _wrapped(text, room_mm)
    notes_mm = needed_mm
    needed_mm += line_mm * (text.count("\n") + 1 if text else 0)
    if needed_mm > height_mm and size == "slide":
        raise study_error(
            column="notes",
            found=f"words that need {needed_mm:.0f} mm",
            expected=f"at most the height of the slide, {height_mm:.1f} mm, in letters that can be read",
            remedy="Shorten the notes, or choose another size",
        )
    if needed_mm > height_mm:
        height_mm = needed_mm
        figure.set_size_inches(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH)
    if legend is not None:
        legend.set_bbox_to_anchor((0.0, 1 - top_mm / height_mm), transform=words.transAxes)
    words.text(0, 1 - notes_mm / height_mm, text, ha="left", va="top", color=MUTED)


def _legend(axes: Axes, entries: Sequence[Entry], *, width_mm: float, above: bool, dark: bool) -> Legend:
    font_pt = mpl.rcParams["font.size"]
    handle_mm = 3.4 * font_pt / 72 * MM_PER_INCH
    texts = [_wrapped(label, width_mm - handle_mm) for _, label in entries]
    widest_pt = max(text_width_pt(line, font_pt=font_pt) for text in texts for line in text.split("\n"))
    columns = int(width_mm // (widest_pt / 72 * MM_PER_INCH + handle_mm))
    ground: dict[str, Any] = _DARK_GROUND if dark else _NO_GROUND
    return axes.legend(
        [artist for artist, _ in entries],
        texts,
        loc="lower left" if above else "upper left",
        bbox_to_anchor=(0.0, 1.02) if above else (0.0, 1.0),
        ncols=max(1, min(len(texts), columns)) if above else 1,
        handlelength=1.8,
        labelspacing=0.35,
        **ground,
    )


def _fit_height(figure: Figure, size: str, panels: Sequence[Axes], *, panel_mm: float | None) -> None:
    """Give the figure the height its panels need, at most the one it has; a slide keeps its shape."""
    tallest_mm = _size_mm(figure)[1]
    for _ in range(5):
        # What hangs on the axes moves with them, so it takes a few turns to settle.
        figure.draw_without_rendering()
        if size == "slide":
            return
        width_mm, height_mm = _size_mm(figure)
        rows: dict[int, float] = {}
        for panel in panels:
            place, room, used = (
                panel.get_subplotspec(),
                panel.get_position(original=True),
                panel.get_position(),
            )
            wanted = used.height * (room.width / used.width) if panel_mm is None else panel_mm / height_mm
            row = 0 if place is None else place.rowspan.start
            rows[row] = max(rows.get(row, -1.0), wanted - room.height)
        better_mm = min(tallest_mm, height_mm * (1 + sum(rows.values())))
        if abs(better_mm - height_mm) < 0.1:
            return
        figure.set_size_inches(width_mm / MM_PER_INCH, better_mm / MM_PER_INCH)


def _size_mm(figure: Figure) -> tuple[float, float]:
    width, height = figure.get_size_inches() * MM_PER_INCH
    return float(width), float(height)


def _wrapped(text: str, width_mm: float) -> str:
    return wrapped(text, width_pt=width_mm / MM_PER_INCH * 72, font_pt=mpl.rcParams["font.size"])
