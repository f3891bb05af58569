"""Single hips on their way beside their peers: a panel a hip, the peers faint, what is expected as a band."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from cohortlib.figures.notes import TALLEST_MM, draw_words, make_panels
from cohortlib.figures.rows import check_rows, patients_and_hips
from cohortlib.figures.style import MUTED, finish_figure, group_looks, look, make_figure
from cohortlib.figures.words import percent_text, with_unit

_COLUMNS = {"single column": 2, "double column": 4, "slide": 4}
_PANEL_MM = {"single column": 38.0, "double column": 46.0, "slide": 0.0}
_BAND = "#e3e3e3"
_NUMBERS = ("value", "expected", "expected_low", "expected_high")


def plot_change_beside_peers(
    compared: pd.DataFrame,
    chosen: pd.DataFrame,
    *,
    kind: Sequence[str],
    visits: Mapping[str, str],
    y_label: str,
    y_unit: str,
    confidence: float = 0.95,
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "double column",
) -> Figure:
    """One small panel a hip: its change in the zone it is listed for, beside the hips of its kind.

    Parameters
    ----------
    compared
        From `change_against_peers`: hip_id, patient_id, visit_id, n_visits, zone, the columns of `kind`,
        value, expected, expected_low, expected_high.
    chosen
        Rows of `hips_against_peers`, a panel each, in this order, and heading: what stands above it.
    kind
        Columns that made the peers, such as ["arm", "zone_system"].
    visits
        Visit to label, in order; the first is the one that the others are compared with.
    y_label, y_unit
        What the axis says, and its UCUM unit.
    confidence
        What the bands cover, as the figure says it.
    title, notes, size
        As in every figure.

    Returns
    -------
    Figure
        All panels on one scale. The band is for a hip whose every zone and visit is looked at: in 95 of 100
        cases a hip of its kind stays within all of its bands. Visits alone are drawn, not means of two.

    Raises
    ------
    StudyError
        If a column is missing or there is no row.
    """
    keys = ("hip_id", "visit_id", "zone", *kind)
    check_rows(compared, (*keys, "patient_id", "n_visits", *_NUMBERS), name="compared", numbers=_NUMBERS)
    check_rows(chosen, ("hip_id", "zone", "heading", *kind), name="chosen")
    alone = compared[(compared["n_visits"] == 1) & compared["visit_id"].isin(list(visits))]
    place = {visit: number for number, visit in enumerate(visits)}
    alone = alone.assign(place=alone["visit_id"].map(place)).sort_values("place", kind="stable")
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        columns = min(_COLUMNS[size], len(chosen))
        lines = -(-len(chosen) // columns)
        panels = make_panels(
            figure, size, width_ratios=[1.0] * columns, height_ratios=[1.0] * lines, words_beside=False
        )
        drawn = []
        for number, axes in enumerate(panels):
            if number >= len(chosen):
                axes.set_axis_off()
                continue
            hip = chosen.iloc[number]
            same = alone["zone"].eq(hip["zone"])
            for name in kind:
                same &= alone[name].eq(hip[name])
            drawn.append(alone[same])
            _draw_hip(axes, alone[same], str(hip["hip_id"]))
            axes.set_title(str(hip["heading"]))
            last = number + columns >= len(chosen)
            axes.set_xticks(range(len(visits)), list(visits.values()) if last else [""] * len(visits))
        shown = pd.concat(drawn)
        low = float(np.nanmin(shown[list(_NUMBERS)].to_numpy(dtype=float)))
        high = float(np.nanmax(shown[list(_NUMBERS)].to_numpy(dtype=float)))
        room = 0.05 * (max(high, 0) - min(low, 0)) or 1.0
        for number, axes in enumerate(panels[: len(chosen)]):
            axes.set_ylim(min(low, 0) - room, max(high, 0) + room)
            axes.yaxis.set_major_locator(MaxNLocator(5))
            axes.tick_params(labelleft=number % columns == 0)
        figure.supylabel(with_unit(y_label, y_unit), fontsize=mpl.rcParams["font.size"])
        draw_words(
            figure,
            size,
            panels,
            title=title,
            panel_mm=_PANEL_MM[size] or None,
            entries=(),
            notes=[
                f"n = {patients_and_hips(shown)}. Marks: this hip. Thin: the others of its kind. Dashed: "
                f"their median. Grey: what is expected of this hip ({percent_text(confidence)}, over all its "
                "zones and visits).",
                *notes,
            ],
            words_beside=False,
        )
        return finish_figure(figure)


def _draw_hip(axes: Axes, rows: pd.DataFrame, hip_id: str) -> None:
    width = mpl.rcParams["lines.linewidth"]
    axes.axhline(0, color=MUTED, linewidth=0.6 * width, zorder=1)
    for name, of_hip in rows.groupby("hip_id", sort=False):
        x, y = np.array([0, *of_hip["place"]]), np.array([0.0, *of_hip["value"]])
        if name != hip_id:
            axes.plot(x, y, color=MUTED, linewidth=0.4 * width, alpha=0.4, zorder=1.5)
            continue
        low, high = (np.array([0.0, *of_hip[bound]]) for bound in ("expected_low", "expected_high"))
        axes.fill_between(x, low, high, color=_BAND, linewidth=0, zorder=0.5)
        axes.plot(x, [0.0, *of_hip["expected"]], color=MUTED, linestyle=(0, (4, 2)), zorder=2)
        own = group_looks(["hip"])["hip"]
        axes.plot(x, y, color=own.colour, marker=own.marker, linewidth=width, zorder=3)
