"""How well something is seen as noise grows: how often it is right, how often it refuses, how far it errs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from cohortlib.errors import StudyError, problem
from cohortlib.figures.notes import TALLEST_MM, Entry, draw_words, make_panels
from cohortlib.figures.rows import check_rows
from cohortlib.figures.style import (
    FAINT,
    MUTED,
    GroupLook,
    finish_figure,
    group_looks,
    look,
    make_figure,
)
from cohortlib.figures.words import NO_BREAK, unit_text, with_unit

_PANEL_MM = {"single column": 42.0, "double column": 66.0, "slide": 0.0}
_BAND = "#ececec"


def plot_over_noise(
    levels: pd.DataFrame,
    *,
    right: Mapping[str, str],
    refused: str,
    errors: Mapping[str, str],
    unit: str,
    usual: float,
    least_right: float,
    most_error: float,
    noise: str = "noise_sd",
    noise_label: str = "Noise",
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "double column",
) -> Figure:
    """Two panels over one axis of noise: shares that are right beside the share refused, and errors.

    Parameters
    ----------
    levels
        One row a level of noise. Shares are 0 to 1; what has no value at a level, because nothing was
        answered there, is missing. A column with `_ci_low` and `_ci_high` beside it is drawn with them.
    right
        Columns of shares that should be large, such as sensitivity, and what each is called.
    refused
        Column of the share that was not answered at all.
    errors, unit
        Columns of errors and what each is called, the first drawn full and others dashed; their UCUM unit.
    usual
        The level that is marked as usual.
    least_right, most_error
        What is demanded, drawn as a dashed line.
    noise, noise_label
        Column of the level, above 0, and the words below the axis.
    title, notes, size
        As in every figure.

    Returns
    -------
    Figure
        One axes for the shares, one for the errors. From the level on at which everything is refused the
        ground is grey.

    Raises
    ------
    StudyError
        If a column is missing, a level is not above 0 or comes twice, or a share is not between 0 and 1.
    """
    columns = (noise, *right, refused, *errors)
    check_rows(levels, columns, name="levels", numbers=columns)
    _check_levels(levels, noise, [*right, refused])
    rows = levels.sort_values(noise)
    looks = group_looks([*right, refused, "error"])
    looks |= dict.fromkeys(errors, looks["error"])
    dashed = {refused, *list(errors)[1:]}
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        beside = size != "single column"
        panels = make_panels(
            figure,
            size,
            width_ratios=[1.0, 1.0] if beside else [1.0],
            height_ratios=[1.0] if beside else [1.0, 1.0],
        )
        shares, widths = panels
        for axes in panels:
            _draw_ground(axes, rows, noise, refused, usual)
        for column in (*right, refused):
            _draw_line(shares, rows, noise, column, looks[column], factor=100, dashed=column in dashed)
        for column in errors:
            _draw_line(widths, rows, noise, column, looks[column], factor=1, dashed=column in dashed)
        for axes, demand in ((shares, 100 * least_right), (widths, most_error)):
            axes.axhline(demand, color=MUTED, linewidth=0.7 * mpl.rcParams["lines.linewidth"], dashes=(4, 3))
        shares.set_ylim(-3, 103)
        shares.set_ylabel("Share (%)")
        widths.set_ylim(0, 1.1 * max(most_error, float(rows[list(errors)].max().max())))
        widths.yaxis.set_major_locator(MaxNLocator(5))
        widths.set_ylabel(with_unit("Error", unit))
        for axes in panels[-1:] if not beside else panels:
            axes.set_xlabel(noise_label)
        _words_in_panels(shares, widths, rows, noise, refused, usual, least_right, most_error, unit)
        entries: list[Entry] = [
            (_handle(looks[column], dashed=column in dashed), name)
            for column, name in {**right, refused: "not assessable", **errors}.items()
        ]
        draw_words(
            figure,
            size,
            panels,
            title=title,
            panel_mm=_PANEL_MM[size] or None,
            entries=entries,
            notes=notes,
        )
        return finish_figure(figure)


def _draw_ground(axes: Axes, rows: pd.DataFrame, noise: str, refused: str, usual: float) -> None:
    places = rows[noise].to_numpy(dtype=float)
    axes.set_xscale("log")
    low, high = places[0] / 1.25, places[-1] * 1.25
    axes.set_xlim(low, high)
    axes.axvline(usual, color=FAINT, linewidth=mpl.rcParams["lines.linewidth"], zorder=0.6)
    nothing = rows.loc[rows[refused] >= 1, noise]
    if len(nothing) and len(nothing) < len(rows):
        last = float(rows.loc[rows[noise] < nothing.min(), noise].max())
        axes.axvspan(np.sqrt(last * float(nothing.min())), high, color=_BAND, linewidth=0, zorder=0.5)
    axes.xaxis.set_major_locator(FixedLocator(_apart(places)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_locator(NullLocator())


def _apart(places: np.ndarray) -> list[float]:
    """Levels that can be written side by side: each at least twice the one before."""
    kept = [float(places[0])]
    for place in places[1:]:
        if place >= 1.99 * kept[-1]:
            kept.append(float(place))
    return kept


def _draw_line(
    axes: Axes,
    rows: pd.DataFrame,
    noise: str,
    column: str,
    how: GroupLook,
    *,
    factor: float,
    dashed: bool = False,
) -> None:
    ends = [f"{column}_ci_low", f"{column}_ci_high"]
    if set(ends) <= set(rows.columns):
        axes.vlines(
            rows[noise],
            factor * rows[ends[0]],
            factor * rows[ends[1]],
            color=how.colour,
            linewidth=0.8 * mpl.rcParams["lines.linewidth"],
            zorder=2,
        )
    axes.plot(
        rows[noise],
        factor * rows[column],
        zorder=3,
        clip_on=False,
        **_stroke(how, dashed=dashed),
    )


def _handle(how: GroupLook, *, dashed: bool) -> Line2D:
    return Line2D([], [], **_stroke(how, dashed=dashed))


def _stroke(how: GroupLook, *, dashed: bool) -> dict[str, Any]:
    """A full line with full marks, or a dashed one with open marks."""
    return {
        "color": how.colour,
        "marker": how.marker,
        "markerfacecolor": "white" if dashed else how.colour,
        "linestyle": (0, (2, 1.5)) if dashed else "-",
    }


def _words_in_panels(
    shares: Axes,
    widths: Axes,
    rows: pd.DataFrame,
    noise: str,
    refused: str,
    usual: float,
    least_right: float,
    most_error: float,
    unit: str,
) -> None:
    """What the lines and the ground mean, beside them and in small letters."""
    small: dict[str, Any] = {"fontsize": 0.88 * mpl.rcParams["font.size"], "color": MUTED}
    for axes in (shares, widths):
        axes.annotate(
            "usual",
            (usual, 0.5),
            xycoords=axes.get_xaxis_transform(),
            xytext=(3, 0),
            textcoords="offset points",
            va="center",
            **small,
        )
    ground = {"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"}
    for axes, place, text in (
        (shares, 100 * least_right, f"at least {100 * least_right:g}{NO_BREAK}%"),
        (widths, most_error, f"at most {most_error:g}{NO_BREAK}{unit_text(unit)}"),
    ):
        axes.annotate(
            text,
            (float(rows[noise].min()), place),
            xytext=(0, -4),
            textcoords="offset points",
            va="top",
            bbox=ground,
            zorder=1.5,
            **small,
        )
    if (rows[refused] >= 1).any() and not (rows[refused] >= 1).all():
        places = rows.loc[rows[refused] >= 1, noise]
        before = float(rows.loc[rows[noise] < places.min(), noise].max())
        middle = float(np.sqrt(np.sqrt(before * float(places.min())) * 1.25 * float(places.max())))
        for axes in (shares, widths):
            axes.annotate(
                "no\nanswer",
                (middle, 0.3),
                xycoords=axes.get_xaxis_transform(),
                ha="center",
                va="center",
                **small,
            )


def _check_levels(levels: pd.DataFrame, noise: str, shares: Sequence[str]) -> None:
    problems = []
    places = levels[noise]
    bad = ~(places > 0) | places.duplicated()
    if bad.any():
        problems.append(
            problem(
                file="levels",
                column=noise,
                found=float(places[bad].iloc[0]),
                count=int(bad.sum()),
                expected="levels above 0, each once: the axis is logarithmic",
                remedy="Give one row a level",
            )
        )
    for column in shares:
        odd = levels[column].notna() & ~levels[column].between(0, 1)
        if odd.any():
            problems.append(
                problem(
                    file="levels",
                    column=column,
                    found=float(levels.loc[odd, column].iloc[0]),
                    count=int(odd.sum()),
                    expected="shares from 0 to 1",
                    remedy="Divide percent by 100",
                )
            )
    if problems:
        raise StudyError(problems)
