"""What seems to have changed between two films, hip by hip, beside what marks cannot tell from no change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from cohortlib.figures.notes import TALLEST_MM, draw_words, make_panels
from cohortlib.figures.rows import check_rows, group_labels, patients_and_hips
from cohortlib.figures.style import INK, MUTED, GroupLook, finish_figure, group_looks, look, make_figure
from cohortlib.figures.words import unit_text

_COLUMNS = {"single column": 1, "double column": 3, "slide": 3}
_PANEL_MM = {"single column": 40.0, "double column": 44.0, "slide": 0.0}
_BAND = "#e3e3e3"


def plot_seeming_changes(
    changes: pd.DataFrame,
    limits: pd.DataFrame | None = None,
    *,
    panels: Mapping[str, str],
    by: str = "arm",
    labels: Mapping[str, str] | None = None,
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "double column",
) -> Figure:
    """One panel a quantity: every hip's change in order, over the band that marks cannot tell from none.

    Parameters
    ----------
    changes
        One row a hip and quantity: hip_id, patient_id, quantity, value, unit, limit (what the value must
        exceed, either way, to be told from none), comparable ("yes" = the films were taken alike), true (the
        true change, or missing where nobody knows it) and the column `by`. Rows without a value are not
        drawn.
    limits
        Named limits to draw as lines: quantity, lower, upper, as `published_limits` gives them; whose they
        are belongs into `notes`. None draws none.
    panels
        Quantity to its heading, in the order of the panels.
    by, labels
        Grouping column and its values' labels.
    title, notes, size
        As in every figure.

    Returns
    -------
    Figure
        Filled marks: films taken alike; open ones: technique changed or not known. Short line: the truth.

    Raises
    ------
    StudyError
        If a column is missing or a quantity has no row with a value.
    """
    numbers = ("value", "limit", "true")
    columns = ("hip_id", "patient_id", "quantity", "unit", "comparable", by, *numbers)
    check_rows(changes, columns, name="changes", numbers=numbers)
    if limits is not None:
        bounds = ("lower", "upper")
        check_rows(limits, ("quantity", *bounds), name="limits", numbers=bounds)
    known = changes[changes["quantity"].isin(list(panels))].dropna(subset=["value", "limit"])
    for quantity in panels:
        check_rows(known[known["quantity"] == quantity], columns, name=f"changes, {quantity}")
    names = group_labels(known, by, labels, name="changes")
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        columns_drawn = min(_COLUMNS[size], len(panels))
        rows = -(-len(panels) // columns_drawn)
        drawn = make_panels(
            figure,
            size,
            width_ratios=[1.0] * columns_drawn,
            height_ratios=[1.0] * rows,
            words_beside=False,
        )
        for axes, (quantity, heading) in zip(drawn, panels.items(), strict=False):
            own = known[known["quantity"] == quantity].sort_values(["value", "hip_id"], ignore_index=True)
            _draw_panel(axes, own, by=by, looks=group_looks(names))
            for bound in () if limits is None else _bounds(limits, quantity):
                axes.axhline(bound, color=MUTED, linestyle=(0, (4, 2)), linewidth=0.7, zorder=1.2)
            axes.set_title(heading)
            axes.set_ylabel(unit_text(str(own["unit"].iloc[0])), labelpad=1)
        for axes in drawn[len(panels) :]:
            axes.set_axis_off()
        # Above all panels: a legend that belongs to one of them would push its neighbours away. It bears the
        # heading, for both have the same place.
        entries = _entries(known, by, names, lines=limits is not None)
        figure.legend(
            [artist for artist, _ in entries],
            [text for _, text in entries],
            loc="outside upper left",
            ncols=min(3, len(entries)) if columns_drawn > 1 else 2,
            handlelength=1.8,
            title=title,
            title_fontproperties=FontProperties(weight="bold", size=mpl.rcParams["figure.titlesize"]),
            alignment="left",
        )
        draw_words(
            figure,
            size,
            drawn,
            title="",
            entries=(),
            notes=[f"n = {patients_and_hips(known)}, each panel in the order of its values.", *notes],
            panel_mm=_PANEL_MM[size] or None,
            words_beside=False,
        )
        return finish_figure(figure)


def _draw_panel(axes: Axes, rows: pd.DataFrame, *, by: str, looks: Mapping[str, GroupLook]) -> None:
    width, marker = mpl.rcParams["lines.linewidth"], 0.8 * mpl.rcParams["lines.markersize"]
    place = np.arange(len(rows))
    axes.bar(place, 2 * rows["limit"], bottom=-rows["limit"], width=1.0, color=_BAND, linewidth=0, zorder=0.5)
    axes.axhline(0, color=MUTED, linewidth=0.6 * width, zorder=1)
    for group, one in looks.items():
        for alike in (True, False):
            own = (rows[by] == group) & (rows["comparable"].eq("yes") == alike)
            axes.plot(
                place[own],
                rows.loc[own, "value"],
                linestyle="",
                marker=one.marker,
                markersize=marker,
                markeredgewidth=0.6 * width,
                color=one.colour,
                markerfacecolor=one.colour if alike else "white",
                zorder=3,
            )
    moved = rows["true"].fillna(0.0).ne(0.0).to_numpy()
    axes.plot(
        place[moved],
        rows.loc[moved, "true"],
        linestyle="",
        marker="_",
        color=INK,
        markersize=2.4 * marker,
        markeredgewidth=1.6 * width,
        zorder=4,
    )
    axes.set_xticks([])
    axes.set_xlim(-1.0, len(rows))


def _bounds(limits: pd.DataFrame, quantity: str) -> list[float]:
    own = limits.loc[limits["quantity"] == quantity, ["lower", "upper"]].to_numpy(dtype=float)
    return sorted({float(bound) for bound in own[np.isfinite(own)]})


def _entries(
    known: pd.DataFrame, by: str, names: Mapping[str, str], *, lines: bool
) -> list[tuple[Artist, str]]:
    entries: list[tuple[Artist, str]] = [
        (Line2D([], [], color=one.colour, marker=one.marker, linestyle=""), names[group])
        for group, one in group_looks(names).items()
    ]
    empty = {"marker": "o", "linestyle": "", "markerfacecolor": "white"}
    entries.append((Line2D([], [], color=INK, **empty), "open: technique changed"))  # type: ignore[arg-type]
    entries.append((Patch(color=_BAND), "not told from none"))
    if known["true"].fillna(0.0).ne(0.0).any():
        entries.append(
            (Line2D([], [], color=INK, marker="_", linestyle="", markeredgewidth=2), "truth, if moved")
        )
    if lines:
        entries.append((Line2D([], [], color=MUTED, linestyle=(0, (4, 2))), "published limit"))
    return entries
