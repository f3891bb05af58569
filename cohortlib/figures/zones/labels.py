"""The numbers of the zones, written beside the drawing of a hip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke

from cohortlib.figures.style import INK, MUTED
from cohortlib.figures.words import interval, number, unit_text
from cohortlib.figures.zones.regions import Region, regions

#: Where words stand beside the drawing of a right hip [mm]: lateral and medial.
_WORDS_X = {-1: -73.0, 1: 6.0}
_CUP_WORDS_X = {-1: -73.0, 1: 48.0}


def write_numbers(axes: Axes, estimates: pd.DataFrame, *, mirror: float, decimals: int) -> None:
    """The numbers of every zone beside the drawing, spread so that none lies on another."""
    rows = [(row, regions(str(row["zone_system"]))[str(row["zone"])]) for row in estimates.to_dict("records")]
    line_mm = 1.2 * mpl.rcParams["font.size"] / 72 * axes.figure.dpi / axes.transData.get_matrix()[1, 1]
    for beside in (-1, 1):
        mine = [(row, region) for row, region in rows if region.beside == beside]
        mine.sort(key=lambda pair: -pair[1].words)
        heights = _spread([region.words for _, region in mine], apart=2.15 * line_mm)
        for (row, region), height in zip(mine, heights, strict=True):
            _write(axes, row, region, height=height, mirror=mirror, decimals=decimals)


def _spread(heights: Sequence[float], *, apart: float) -> list[float]:
    """Heights from the top downwards, as near to the wanted ones as a least distance lets them be."""
    found = list(heights)
    for _ in range(200):
        moved = False
        for place in range(len(found) - 1):
            lacking = apart - (found[place] - found[place + 1])
            if lacking > 0.01:
                found[place] += lacking / 2
                found[place + 1] -= lacking / 2
                moved = True
        if not moved:
            break
    return found


def _write(
    axes: Axes, row: Mapping[Any, Any], region: Region, *, height: float, mirror: float, decimals: int
) -> None:
    of_cup = row["zone_system"] == "cup_3"
    x = (_CUP_WORDS_X if of_cup else _WORDS_X)[region.beside] * mirror
    right_of_drawing = region.beside * mirror > 0
    unit = unit_text(str(row["unit"]))
    if np.isfinite(row["estimate"]):
        value = f"{signed(row['estimate'], decimals)} {unit}".strip()
        further = f"{interval(row['ci_low'], row['ci_high'], decimals=decimals)}, n {row['n_hips']:.0f}"
    else:
        value, further = "–", f"no estimate, n {row['n_hips']:.0f}"
    lines: dict[str, Any] = {
        "ha": "left" if right_of_drawing else "right",
        "zorder": 5,
        "in_layout": False,
        "path_effects": [withStroke(linewidth=2.5, foreground="white")],
    }
    size = mpl.rcParams["font.size"]
    axes.annotate(
        "",
        xy=(region.anchor[0] * mirror, region.anchor[1]),
        xytext=(x, height),
        arrowprops={
            "arrowstyle": "-",
            "color": INK,
            "linewidth": 0.5 * mpl.rcParams["lines.linewidth"],
            "shrinkA": 2,
            "shrinkB": 0,
        },
        zorder=4,
        in_layout=False,
    )
    axes.plot(
        region.anchor[0] * mirror, region.anchor[1], ".", color=INK, markersize=0.12 * size * 3, zorder=4
    )
    axes.text(x, height, f"{row['zone']}:  {value}", va="bottom", fontweight="bold", **lines)
    axes.text(x, height, further, va="top", fontsize=0.82 * size, color=MUTED, linespacing=1.1, **lines)


def signed(value: float, decimals: int) -> str:
    """A number with its sign, but for zero."""
    text = number(value, decimals=decimals)
    return text if text.startswith("−") or float(text) == 0 else f"+{text}"
