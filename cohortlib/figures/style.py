"""One look for every figure: exact sizes, one font, colours that survive grey printing."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import NamedTuple

import matplotlib as mpl
from matplotlib.figure import Figure

from cohortlib.errors import study_error

MM_PER_INCH = 25.4
#: Ships with matplotlib, so a figure has the same letters everywhere.
FONT = "DejaVu Sans"
INK = "#1c1c1c"
MUTED = "#595959"
FAINT = "#b4b4b4"


class Size(NamedTuple):
    """One named size: millimetres, and the letters, lines and markers that suit it [pt].

    `screen_dpi` only decides how large the figure looks in a notebook.
    """

    width_mm: float
    height_mm: float
    font_pt: float
    line_pt: float
    marker_pt: float
    screen_dpi: float


#: Journals print columns of 83-90 and 174-180 mm; a slide is 16:9 (common practice, no source).
SIZES = {
    "single column": Size(85, 75, 8, 1.0, 4.0, 180),
    "double column": Size(175, 110, 9, 1.2, 5.0, 120),
    "slide": Size(190.5 * 16 / 9, 190.5, 18, 2.4, 10.0, 72),
}


class GroupLook(NamedTuple):
    """How one group (an arm) is told from the others: colour, marker and, by the colour, lightness."""

    colour: str
    marker: str


#: In the order used. Lightness L* is 13, 61, 46, 32: neighbours in grey differ, and each has a
#: contrast of at least 3 to 1 against white paper.
GROUP_LOOKS = (
    GroupLook("#12213c", "o"),
    GroupLook("#cf8210", "^"),
    GroupLook("#2a7a6a", "s"),
    GroupLook("#74316c", "D"),
)


class DisplayedFigure(Figure):
    """A matplotlib Figure that a notebook shows as a picture although pyplot never made it."""

    def _repr_png_(self) -> bytes:
        with io.BytesIO() as buffer:
            self.savefig(buffer, format="png", dpi=self.dpi)
            return buffer.getvalue()

    def __repr__(self) -> str:
        # Without the height, which follows the words: a notebook's check compares this text.
        return f"<Figure {self.get_size_inches()[0] * MM_PER_INCH:.0f} mm wide>"


def named_size(size: str) -> Size:
    """The row of `SIZES` called `size`.

    Raises
    ------
    StudyError
        If there is no such size.
    """
    if size not in SIZES:
        raise study_error(
            column="size", found=size, expected="one of " + ", ".join(SIZES), remedy="Name one of these sizes"
        )
    return SIZES[size]


@contextmanager
def look(size: str) -> Iterator[Size]:
    """Settings of matplotlib for a size inside the `with` block, the caller's own again after it.

    Text is never read as mathematics, so a `$` in a label stays a `$`.
    """
    chosen = named_size(size)
    line, marker = chosen.line_pt, chosen.marker_pt
    with mpl.rc_context():
        # From the defaults, not from what a user's own settings file happens to hold.
        mpl.rcdefaults()
        mpl.rcParams.update(
            {
                "font.family": [FONT],
                "font.size": chosen.font_pt,
                "figure.dpi": chosen.screen_dpi,
                "text.parse_math": False,
                "text.color": INK,
                "axes.titlesize": chosen.font_pt,
                "axes.titleweight": "bold",
                "axes.titlelocation": "left",
                "axes.labelsize": chosen.font_pt,
                "axes.labelcolor": INK,
                "axes.edgecolor": INK,
                "axes.linewidth": 0.7 * line,
                "axes.spines.top": False,
                "axes.spines.right": False,
                "axes.axisbelow": True,
                "axes.unicode_minus": True,
                "xtick.labelsize": chosen.font_pt,
                "ytick.labelsize": chosen.font_pt,
                "xtick.color": INK,
                "ytick.color": INK,
                "xtick.direction": "out",
                "ytick.direction": "out",
                "xtick.major.width": 0.7 * line,
                "ytick.major.width": 0.7 * line,
                "xtick.major.size": 3.0 * line,
                "ytick.major.size": 3.0 * line,
                "lines.linewidth": line,
                "lines.markersize": marker,
                "patch.linewidth": line,
                "legend.fontsize": chosen.font_pt,
                "legend.frameon": False,
                "legend.handletextpad": 0.4,
                "legend.borderaxespad": 0.0,
                "legend.borderpad": 0.2,
                "legend.columnspacing": 1.4,
                "figure.titlesize": chosen.font_pt,
                "figure.titleweight": "bold",
                "figure.labelsize": chosen.font_pt,
                "figure.constrained_layout.h_pad": 0.005 * chosen.font_pt,
                "figure.constrained_layout.w_pad": 0.005 * chosen.font_pt,
            }
        )
        yield chosen


def make_figure(size: str, *, height_mm: float | None = None) -> Figure:
    """An empty figure of exactly a named width, with constrained layout; call it inside `look`.

    Parameters
    ----------
    size
        One of `SIZES`.
    height_mm
        Height [mm] if the named size's own does not suit what is drawn.

    Example
    -------
    >>> with look("single column"):
    ...     figure = make_figure("single column", height_mm=60)
    ...     line = figure.add_subplot().plot([0, 1], [0, 1])
    ...     finish_figure(figure)
    <Figure 85 mm wide>
    """
    chosen = named_size(size)
    height = chosen.height_mm if height_mm is None else height_mm
    return DisplayedFigure(
        figsize=(chosen.width_mm / MM_PER_INCH, height / MM_PER_INCH), layout="constrained"
    )


def finish_figure(figure: Figure) -> Figure:
    """The same figure with its layout settled for good and its ticks made while the look still holds.

    matplotlib makes tick labels only when it draws; drawn later they would have another size. And each
    drawing would lay it out anew, a hair differently, so the same figure would give other bytes.
    """
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    return figure


def group_looks(groups: Iterable[str]) -> dict[str, GroupLook]:
    """Each group's colour and marker, given in the order of the groups.

    Raises
    ------
    StudyError
        If there are more groups than looks: more would not be told apart in grey.
    """
    names = list(groups)
    if len(names) > len(GROUP_LOOKS):
        raise study_error(
            column="groups",
            found=f"{len(names)} groups ({', '.join(names)})",
            expected=f"at most {len(GROUP_LOOKS)}, so that they stay apart in grey printing",
            remedy="Draw fewer groups in one figure, or one figure a group",
        )
    return dict(zip(names, GROUP_LOOKS, strict=False))
