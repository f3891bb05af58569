"""Drawings made of boxes and words: axes that count in millimetres on paper, downwards."""

from __future__ import annotations

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from cohortlib.errors import study_error
from cohortlib.figures.style import MM_PER_INCH
from cohortlib.figures.words import NO_BREAK, text_width_pt, wrapped

#: Bold letters of the font are about a seventh wider than those a width is measured with.
BOLD = 1.16
_MARGIN_MM = 1.0
#: Boxes are made as wide as their words.
_ROUNDING_MM = 0.01


def font_pt() -> float:
    """Height of the letters in the look that holds [pt]."""
    return float(mpl.rcParams["font.size"])


def line_mm() -> float:
    """Height of a line of text in the look that holds [mm]."""
    return 1.22 * font_pt() / 72 * MM_PER_INCH


def padding_mm() -> float:
    """Room between a box and its words [mm]."""
    return 0.2 * line_mm()


def bar_mm() -> float:
    """Width of the coloured bar of an arm [mm]."""
    return 0.28 * line_mm()


def text_mm(text: str, *, bold: bool = False) -> float:
    """Width of a line of text [mm], with a little to spare: letters fitted to pixels run wider."""
    return 1.04 * (BOLD if bold else 1.0) * text_width_pt(text, font_pt=font_pt()) / 72 * MM_PER_INCH


def fitted(text: str, width_mm: float, *, bold: bool = False, set_in: str = "", of_what: str) -> list[str]:
    """The text in lines of that width.

    Parameters
    ----------
    text
        Broken at spaces, not at no-break spaces.
    width_mm
        Room for the letters.
    bold
        Whether the letters are.
    set_in
        Written before every line but the first.
    of_what
        What the message calls the place: "a box", "a cell".

    Raises
    ------
    StudyError
        If a word is wider than that.
    """
    if text_mm(text, bold=bold) <= width_mm + _ROUNDING_MM:
        return [text]
    room_mm = width_mm - (text_mm(set_in + "n") - text_mm("n") if set_in else 0.0)
    room_pt = max(room_mm, 1.0) / MM_PER_INCH * 72 / (BOLD if bold else 1.0)
    first, *others = wrapped(text, width_pt=room_pt, font_pt=font_pt()).split("\n")
    for line in (first, *others):
        if text_mm(line, bold=bold) > room_mm + _ROUNDING_MM:
            raise study_error(
                column="labels",
                found=line.replace(NO_BREAK, " "),
                expected=f"words that fit {of_what} of {width_mm:.0f} mm",
                remedy="Shorten the label, draw less in one figure, or choose a wider size",
            )
    return [first, *(set_in + line for line in others)]


def drawing_width_mm(figure: Figure) -> float:
    """How wide a drawing may be; the layout keeps a margin that grows with the letters."""
    margin_mm = 0.2 * line_mm() + _MARGIN_MM
    return float(figure.get_size_inches()[0]) * MM_PER_INCH - 2 * margin_mm


def room_mm(figure: Figure, axes: Axes) -> tuple[float, float]:
    """Width and height of the axes on paper."""
    place, (width_in, height_in) = axes.get_position(), figure.get_size_inches()
    return place.width * width_in * MM_PER_INCH, place.height * height_in * MM_PER_INCH


def count_in_millimetres(
    figure: Figure, axes: Axes, *, width_mm: float, height_mm: float, remedy: str
) -> None:
    """Let a millimetre of the drawing be one on paper; raises where there are not enough.

    Parameters
    ----------
    figure, axes
        Laid out.
    width_mm, height_mm
        Of the drawing, its origin at the upper left.
    remedy
        What to do where it does not fit.

    Raises
    ------
    StudyError
        If the drawing does not fit.
    """
    room_x_mm, room_y_mm = room_mm(figure, axes)
    if room_y_mm < height_mm - 0.5 or room_x_mm < width_mm - 0.5:
        raise study_error(
            column="size",
            found=f"a diagram of {width_mm:.0f} by {height_mm:.0f} mm",
            expected=f"at most {room_x_mm:.0f} by {room_y_mm:.0f} mm, in letters that can be read",
            remedy=remedy,
        )
    spare_mm = room_x_mm - width_mm
    axes.set_xlim(-0.5 * spare_mm, width_mm + 0.5 * spare_mm)
    axes.set_ylim(room_y_mm, 0)
