"""How precisely each zone is measured: the precision error with its interval."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from cohortlib.errors import study_error
from cohortlib.figures.notes import TALLEST_MM, draw_words, make_panels
from cohortlib.figures.rows import check_rows
from cohortlib.figures.style import INK, MUTED, finish_figure, look, make_figure
from cohortlib.figures.words import number, with_unit

_ROW_MM = {"single column": 5.5, "double column": 6.0, "slide": 0.0}


def plot_precision(
    precision_error: pd.DataFrame,
    *,
    unit: str,
    zone: str = "zone",
    zone_label: str = "Zone",
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "single column",
) -> Figure:
    """The precision error of each zone with its interval, and beside it degrees of freedom and percent.

    Parameters
    ----------
    precision_error
        From `precision_error`: the column `zone`, rms_sd, ci_low, ci_high, df, rms_cv_percent.
    unit
        UCUM unit of rms_sd.
    zone, zone_label
        Column that names the rows, and the word before its values.
    title, notes, size
        As in every figure.

    Returns
    -------
    Figure
        One row a zone, in the order of the table. Zones without an estimate keep their row, empty.

    Raises
    ------
    StudyError
        If a column is missing, a zone comes twice, or no zone has an estimate.
    """
    values = ("rms_sd", "ci_low", "ci_high", "df", "rms_cv_percent")
    check_rows(precision_error, (zone, *values), name="precision_error", numbers=values)
    names = precision_error[zone].astype("str").tolist()
    if len(set(names)) < len(names) or precision_error["rms_sd"].isna().all():
        twice = len(set(names)) < len(names)
        raise study_error(
            file="precision_error",
            column=zone if twice else "rms_sd",
            found="a zone that comes twice" if twice else "no zone with an estimate",
            expected="one row a zone, at least one with an estimate",
            remedy="Choose one zone system before drawing" if twice else "Scan some hips twice",
        )
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        (axes,) = make_panels(figure, size, words_beside=False)
        y = np.arange(len(names))[::-1]
        low = precision_error["rms_sd"] - precision_error["ci_low"]
        high = precision_error["ci_high"] - precision_error["rms_sd"]
        axes.errorbar(
            precision_error["rms_sd"],
            y,
            xerr=np.array([low, high], dtype=float),
            fmt="o",
            color=INK,
            capsize=2,
        )
        axes.set_xlim(left=0, right=1.04 * float(precision_error["ci_high"].max()))
        axes.set_ylim(-0.7, len(names) - 0.3)
        axes.set_yticks(y, [f"{zone_label} {name}" for name in names])
        axes.set_xlabel(with_unit("Precision error", unit))
        small = 0.9 * mpl.rcParams["font.size"]
        beside: dict[str, Any] = {
            "transform": axes.get_yaxis_transform(),
            "va": "center",
            "color": MUTED,
            "fontsize": small,
        }
        for place, row in zip(y, precision_error.to_dict("records"), strict=True):
            percent = number(row["rms_cv_percent"], decimals=1) if np.isfinite(row["rms_cv_percent"]) else "–"
            df = number(row["df"], decimals=0) if np.isfinite(row["df"]) else "–"
            axes.text(1.03, place, f"{df}", ha="left", **beside)
            axes.text(1.16, place, f"{percent} %", ha="left", **beside)
        axes.text(1.03, len(names) - 0.3, "df", ha="left", **beside)
        axes.text(1.16, len(names) - 0.3, "CV", ha="left", **beside)
        draw_words(
            figure,
            size,
            [axes],
            title=title,
            panel_mm=_ROW_MM[size] * (len(names) + 1) or None,
            entries=(),
            notes=[
                "Root-mean-square standard deviation of repeated scans, with 95 % interval. The percentage "
                "is for comparison with others only.",
                *notes,
            ],
            words_beside=False,
        )
        return finish_figure(figure)
