"""The film in view as a figure that needs no browser."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

from cohortlib.errors import study_error
from cohortlib.figures.film import plot_film
from cohortlib.image import Radiograph
from cohortlib.tables import ZONE_SYSTEMS


def film_figure(
    radiograph: Radiograph | None, marks: pd.DataFrame, zones: pd.DataFrame, *, reader_id: str, title: str
) -> Figure:
    """A film with the outlines of its zones and the marks of one reader.

    Parameters
    ----------
    marks
        As `Sitting.marks` gives them.
    zones
        As `Sitting.zones` gives them.

    Raises
    ------
    StudyError
        If there is no film.
    """
    if radiograph is None:
        raise study_error(
            column="figure", found="no film", expected="a film in view", remedy="Open one with previous()"
        )
    shapes = []
    for (_, system, _), rows in zones.groupby(["side", "zone_system", "zone"], sort=False):
        corners = rows[["x_px", "y_px"]].to_numpy(dtype=float)
        closed = corners[[*range(len(corners)), 0]]
        shapes.append((f"zones of the {ZONE_SYSTEMS[str(system)].bone}", closed, "reference"))
    shown = marks.assign(reader_id=reader_id) if len(marks) else None
    return plot_film(radiograph, shapes, shown, crop=None, sides=["right", "left"], title=title)
