"""Change from visit to visit in small multiples: hips faint, means of the arms, and the band of no change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from cohortlib.errors import study_error
from cohortlib.figures.notes import TALLEST_MM, Entry, draw_words, make_panels
from cohortlib.figures.rows import check_rows, group_labels, patients_and_hips
from cohortlib.figures.style import MUTED, finish_figure, group_looks, look, make_figure
from cohortlib.figures.words import percent_text, with_unit

_COLUMNS = {"single column": 2, "double column": 4, "slide": 4}
_PANEL_MM = {"single column": 34.0, "double column": 36.0, "slide": 0.0}
#: One row of panels: taller, or the words beside its axis would run into those below.
_ALONE_MM = {"single column": 50.0, "double column": 66.0, "slide": 0.0}
_BAND = "#e3e3e3"


def plot_change_over_visits(
    changes: pd.DataFrame,
    means: pd.DataFrame,
    limits: pd.DataFrame | None = None,
    *,
    visits: Mapping[str, str],
    y_label: str,
    y_unit: str,
    value: str = "change",
    panel: str = "zone",
    panel_label: str = "Zone",
    by: str = "arm",
    labels: Mapping[str, str] | None = None,
    confidence: float = 0.95,
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "double column",
) -> Figure:
    """One small panel a zone: a faint line a hip, each arm's mean and interval, and what may be error alone.

    Parameters
    ----------
    changes
        One row a hip, visit and zone: hip_id, patient_id, visit_id, the columns `value`, `panel` and `by`.
        Rows without a value are not drawn.
    means
        One row an arm, visit and zone: visit_id, `panel`, `by`, estimate, ci_low, ci_high.
    limits
        One row a zone: `panel` and lsc, in the unit of the value; None draws no band.
    visits
        Visit to label, in the order of the schedule; the first is the one that the others are compared
        with, where every line starts at zero.
    y_label, y_unit
        What the axis says, and its UCUM unit.
    value
        Column of the numbers.
    panel, panel_label
        Column of the small panels, and the word before its values.
    by, labels
        Grouping column and its values' labels.
    confidence
        What the intervals cover, as the figure says it.
    title, notes, size
        As in every figure.

    Returns
    -------
    Figure
        All panels on one scale. A line beyond the band is a change beyond measuring again in that zone
        alone; among several zones some lines leave it by chance.

    Raises
    ------
    StudyError
        If a column is missing, a visit is not among `visits`, or no row has a value.
    """
    check_rows(
        changes, ("hip_id", "patient_id", "visit_id", panel, by, value), name="changes", numbers=(value,)
    )
    bounds = ("estimate", "ci_low", "ci_high")
    check_rows(means, ("visit_id", panel, by, *bounds), name="means", numbers=bounds)
    if limits is not None:
        check_rows(limits, (panel, "lsc"), name="limits", numbers=("lsc",))
    known = changes.dropna(subset=[value])
    _check_visits(known, visits)
    names = list(dict.fromkeys(known[panel].astype("str")))
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        columns = min(_COLUMNS[size], len(names))
        rows = -(-len(names) // columns)
        panels = make_panels(
            figure, size, width_ratios=[1.0] * columns, height_ratios=[1.0] * rows, words_beside=False
        )
        shown = [known[value], means["ci_low"], means["ci_high"]]
        shown += [pd.Series(_limit(limits, panel, name) for name in names)]
        # Where nothing changed at all, any scale will do.
        reach = float(np.nanmax(np.abs(pd.concat(shown).to_numpy(dtype=float)))) or 1.0
        for place, axes in enumerate(panels):
            if place >= len(names):
                axes.set_axis_off()
                continue
            name = names[place]
            _draw_panel(
                axes,
                known[known[panel].astype("str") == name],
                means[means[panel].astype("str") == name],
                limit=_limit(limits, panel, name),
                visits=list(visits),
                value=value,
                by=by,
                labels=labels,
            )
            axes.set_title(f"{panel_label} {name}")
            axes.set_ylim(-1.05 * reach, 1.05 * reach)
            axes.yaxis.set_major_locator(MaxNLocator(5))
            axes.tick_params(labelleft=place % columns == 0)
            last_in_column = place + columns >= len(names)
            axes.set_xticks(
                range(len(visits)), list(visits.values()) if last_in_column else [""] * len(visits)
            )
        figure.supylabel(with_unit(y_label, y_unit), fontsize=mpl.rcParams["font.size"])
        draw_words(
            figure,
            size,
            panels,
            title=title,
            panel_mm=(_ALONE_MM if rows == 1 else _PANEL_MM)[size] or None,
            entries=(),
            notes=[
                f"n = {patients_and_hips(known)}. Marks: means with {percent_text(confidence)} intervals.",
                "Grey band: least significant change of one hip in one zone." if limits is not None else "",
                *notes,
            ],
            words_beside=False,
        )
        entries = _entries(known, by, labels, band=limits is not None)
        handles, texts = [artist for artist, _ in entries], [text for _, text in entries]
        free = panels[-1] if len(names) < len(panels) else panels[0]
        free.legend(
            handles, texts, loc="center left" if len(names) < len(panels) else "upper left", handlelength=1.6
        )
        return finish_figure(figure)


def _draw_panel(
    axes: Axes,
    rows: pd.DataFrame,
    means: pd.DataFrame,
    *,
    limit: float,
    visits: list[str],
    value: str,
    by: str,
    labels: Mapping[str, str] | None,
) -> None:
    width = mpl.rcParams["lines.linewidth"]
    if np.isfinite(limit):
        axes.axhspan(-limit, limit, color=_BAND, linewidth=0, zorder=0.5)
    axes.axhline(0, color=MUTED, linewidth=0.6 * width, zorder=1)
    place = {visit: number for number, visit in enumerate(visits)}
    groups = group_looks(group_labels(rows, by, labels, name="changes"))
    for beside, (group, group_look) in enumerate(groups.items()):
        own = rows[rows[by] == group]
        for _, hip in own.groupby("hip_id", sort=False):
            places = [0, *(place[visit] for visit in hip["visit_id"])]
            order = np.argsort(places, kind="stable")
            axes.plot(
                np.array(places)[order],
                np.array([0.0, *hip[value]])[order],
                color=group_look.colour,
                linewidth=0.4 * width,
                alpha=0.28,
                zorder=1.5,
            )
        mean = means[(means[by] == group) & means["estimate"].notna()]
        mean = mean.sort_values("visit_id", key=lambda column: column.map(place))
        x = mean["visit_id"].map(place).to_numpy(dtype=float) + 0.12 * (beside - (len(groups) - 1) / 2)
        error = [mean["estimate"] - mean["ci_low"], mean["ci_high"] - mean["estimate"]]
        axes.errorbar(
            x,
            mean["estimate"],
            yerr=np.array(error, dtype=float),
            color=group_look.colour,
            marker=group_look.marker,
            markersize=0.8 * mpl.rcParams["lines.markersize"],
            linewidth=width,
            zorder=3,
        )


def _limit(limits: pd.DataFrame | None, panel: str, name: str) -> float:
    if limits is None:
        return float("nan")
    own = limits.loc[limits[panel].astype("str").isin([name, "all"]), "lsc"]
    return float(own.iloc[0]) if len(own) else float("nan")


def _entries(known: pd.DataFrame, by: str, labels: Mapping[str, str] | None, *, band: bool) -> list[Entry]:
    names = group_labels(known, by, labels, name="changes")
    entries: list[Entry] = [
        (Line2D([], [], color=one.colour, marker=one.marker), names[group])
        for group, one in group_looks(names).items()
        if (known[by] == group).any()
    ]
    return [*entries, (Patch(color=_BAND), "may be error")] if band else entries


def _check_visits(known: pd.DataFrame, visits: Mapping[str, str]) -> None:
    if known.empty:
        raise study_error(
            file="changes",
            found="no row with a value",
            expected="at least one hip that can be compared",
            remedy="Look at the column status: it says why there is no change",
        )
    unknown = sorted(set(known["visit_id"].astype(str)) - set(visits))
    if unknown:
        raise study_error(
            file="changes",
            column="visit_id",
            found=unknown[0],
            count=int((known["visit_id"] == unknown[0]).sum()),
            expected="one of " + ", ".join(visits),
            remedy="Name the visit in `visits`, or leave its rows out",
        )
