"""The zones about an implant, drawn from the same corners that measurements use."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.figures.notes import Entry
from cohortlib.figures.outlines import SHAPE_LOOKS, halo
from cohortlib.geometry.polygon import Zone

Array = NDArray[np.float64]


def draw_zones(
    axes: Axes, zones: Sequence[Zone], *, place: Callable[[Array], Array] | None = None
) -> list[Entry]:
    """Draw the outline of each zone with its name in its middle.

    Parameters
    ----------
    axes
        Axes in the coordinates that `place` gives.
    zones
        All of one system.
    place
        Turns millimetres of the film (n, 2) into coordinates of the axes, such as the `px` of a radiograph;
        None draws millimetres.

    Returns
    -------
    list of (artist, text)
        One entry for a legend.

    Raises
    ------
    StudyError
        If there are no zones, or they are of several systems.
    """
    systems = sorted({zone.system for zone in zones})
    if len(systems) != 1:
        raise study_error(
            file="zones",
            column="system",
            found=", ".join(systems) or "no zones",
            expected="zones of one system",
            remedy="Draw one system at a time, so that each number has one meaning",
        )
    width = 0.6 * mpl.rcParams["lines.linewidth"]
    look = SHAPE_LOOKS["reference"]
    first: Polygon | None = None
    for zone in zones:
        corners, middle = zone.polygon_mm, zone.middle_mm[None]
        if place is not None:
            corners, middle = place(corners), place(middle)
        outline = Polygon(
            corners,
            closed=True,
            fill=False,
            edgecolor=look.colour,
            linestyle=look.dashes,
            linewidth=width,
            path_effects=halo(width),
            zorder=3,
        )
        axes.add_patch(outline)
        x, y = middle[0]
        axes.text(
            float(x),
            float(y),
            zone.name,
            color=look.colour,
            ha="center",
            va="center",
            path_effects=halo(width),
        )
        first = first or outline
    axes.autoscale_view()
    return [] if first is None else [(first, f"zones {zones[0].name} to {zones[-1].name} ({systems[0]})")]
