"""A piece of film about an interface of metal and bone, and beside it the profiles across that interface."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from cohortlib.errors import study_error
from cohortlib.figures.film import Box, draw_film, draw_scale_bar
from cohortlib.figures.notes import TALLEST_MM, Entry, draw_words, make_panels
from cohortlib.figures.outlines import Shape
from cohortlib.figures.rows import check_rows
from cohortlib.figures.style import INK, MUTED, finish_figure, group_looks, look, make_figure
from cohortlib.image import Radiograph

_BAND, _METAL, _DARK = "#f3e3c6", "#e3e3e3", "#2b2b2b"


def plot_profiles(
    radiograph: Radiograph,
    shapes: Sequence[Shape],
    profiles: pd.DataFrame,
    means: pd.DataFrame,
    *,
    by: str = "stretch",
    profile: str = "along_mm",
    width_mm: float | None = None,
    crop: Box | None = None,
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "double column",
) -> Figure:
    """The film with the edge of its metal, and what was received across that edge: each profile, and means.

    Parameters
    ----------
    radiograph, shapes, crop
        As in `plot_film`.
    profiles
        One row a place: `profile`, `by`, outside_mm (from the edge of the metal), exposure (over bone).
    means
        `by`, outside_mm, exposure: drawn bold.
    by, profile
        Column of the stretch that a profile belongs to, and the one that tells profiles apart.
    width_mm
        Width of a line, drawn as a band that begins at the metal; None draws none.
    title, notes, size
        As in every figure.

    Returns
    -------
    Figure
        One axes for the film, one for the profiles.

    Raises
    ------
    StudyError
        If a column is missing, a stretch has no mean, a width is not above 0, or as for `plot_film`.
    """
    numbers = ("outside_mm", "exposure")
    check_rows(profiles, (profile, by, *numbers), name="profiles", numbers=numbers)
    check_rows(means, (by, *numbers), name="means", numbers=numbers)
    names = list(dict.fromkeys(means[by]))
    _check_names(profiles, names, by)
    if width_mm is not None and not width_mm > 0:
        raise study_error(
            column="width_mm",
            found=width_mm,
            expected="a width above 0",
            remedy="Give None where there is no line",
        )
    looks = group_looks(names)
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        beside = size != "single column"
        panels = make_panels(
            figure,
            size,
            width_ratios=[1.0, 1.0] if beside else [1.0],
            height_ratios=[1.0] if beside else [1.0, 0.8],
        )
        entries = draw_film(panels[0], radiograph, shapes, box=crop)
        draw_scale_bar(panels[0], radiograph, name_source=False)
        axes = panels[1]
        _draw_ground(axes, profiles, width_mm)
        line = mpl.rcParams["lines.linewidth"]
        for name in names:
            colour = looks[name].colour
            for _, one in profiles[profiles[by] == name].groupby(profile):
                axes.plot(
                    one["outside_mm"],
                    one["exposure"],
                    color=colour,
                    alpha=0.15,
                    linewidth=0.5 * line,
                    zorder=2,
                )
            mean = means[means[by] == name]
            axes.plot(mean["outside_mm"], mean["exposure"], color=colour, linewidth=2.0 * line, zorder=3)
        axes.set_xlabel("Outside the metal (mm)")
        axes.set_ylabel("Exposure over that of bone")
        own: list[Entry] = [
            (Line2D([], [], color=looks[name].colour, linewidth=2 * line), name) for name in names
        ]
        if beside:
            axes.set_box_aspect(1)
        draw_words(figure, size, panels, title=title, entries=own, notes=notes, panel_mm=None)
        if entries:
            handles, texts = zip(*entries, strict=True)
            panels[0].legend(
                handles,
                texts,
                loc="lower left",
                fontsize=0.88 * mpl.rcParams["font.size"],
                frameon=True,
                facecolor=_DARK,
                edgecolor=_DARK,
                framealpha=1.0,
                fancybox=False,
                labelcolor="white",
            )
        return finish_figure(figure)


def _draw_ground(axes: Axes, profiles: pd.DataFrame, width_mm: float | None) -> None:
    """The metal, the line and the level of bone, named where they lie."""
    low, high = float(profiles["outside_mm"].min()), float(profiles["outside_mm"].max())
    axes.axvspan(low, 0, color=_METAL, linewidth=0, zorder=0.5)
    axes.axhline(1, color=MUTED, linewidth=0.6 * mpl.rcParams["lines.linewidth"], zorder=1)
    axes.set_xlim(low, high)
    least, most = float(profiles["exposure"].min()), float(profiles["exposure"].max())
    axes.set_ylim(least - 0.04 * (most - least), most + 0.14 * (most - least))
    words = [("metal", low / 2)]
    if width_mm is not None:
        axes.axvspan(0, width_mm, color=_BAND, linewidth=0, zorder=0.5)
        words.append(("line", width_mm / 2))
        words.append(("bone", (width_mm + high) / 2))
    for word, place in words:
        axes.annotate(
            word,
            (place, 0.98),
            xycoords=axes.get_xaxis_transform(),
            ha="center",
            va="top",
            color=INK,
            fontsize=0.88 * mpl.rcParams["font.size"],
        )


def _check_names(profiles: pd.DataFrame, names: Sequence[str], by: str) -> None:
    unknown = profiles.loc[~profiles[by].isin(names), by]
    if len(unknown):
        raise study_error(
            file="means",
            column=by,
            found=f"no mean of {unknown.iloc[0]}",
            count=len(unknown),
            expected="a mean of each stretch of `profiles`",
            remedy="Average the profiles of every stretch that is drawn",
        )
