"""Radiolucent lines along a stem or a peg, found from its marks, zone by zone, as measurement rows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.measure.line_rows import line_rows, untold_lines
from cohortlib.measure.lucency import radiolucent_lines
from cohortlib.measure.scale import FilmScale
from cohortlib.measure.stem_outline import stem_outline
from cohortlib.measure.zones import femoral_zones, resurfacing_zones


def zones_of_stem(marks: pd.DataFrame) -> str:
    """The system of zones of the component in the femur: by the marks that only one kind of it has.

    Parameters
    ----------
    marks
        One reading's marks of one hip: landmark.

    Returns
    -------
    str
        "stem_7" where a shoulder is marked, "resurfacing_stem_3" where the edges of a neck are; "" where
        neither or both are, or axis or tip are missing.
    """
    there = set(marks["landmark"])
    if not {"stem_axis", "stem_tip"} <= there:
        return ""
    kinds = {"stem_shoulder": "stem_7", "neck_edge": "resurfacing_stem_3"}
    found = [system for landmark, system in kinds.items() if landmark in there]
    return found[0] if len(found) == 1 else ""


def stem_line_rows(
    radiograph: Radiograph, marks: pd.DataFrame, *, side: str, scale: FilmScale | None
) -> list[list[Any]]:
    """Rows quantity, zone, value, unit, sd, method, note of the lines along a stem: `line_rows`.

    Parameters
    ----------
    radiograph
        The film.
    marks
        One reading's marks of one hip: landmark, x_px, y_px. Of a landmark that is one place the last counts.
    side
        Of the hip.
    scale
        Of the film at this hip, or None.

    Notes
    -----
    No rows where `zones_of_stem` knows no system. The outline follows the metal from the marks
    (`stem_outline`); where it does not, every zone is not assessable.
    """
    system = zones_of_stem(marks)
    if not system:
        return []
    spacing = radiograph.spacing_mm
    if spacing is None:
        return line_rows(untold_lines(system, "no scale"), system=system, mm_per_px=np.nan, scale=scale)
    lines = _lines(radiograph, marks, system, side)
    return line_rows(lines, system=system, mm_per_px=spacing[1], scale=scale)


def _lines(radiograph: Radiograph, marks: pd.DataFrame, system: str, side: str) -> pd.DataFrame:
    places = {
        str(name): radiograph.mm(part[["x_px", "y_px"]].to_numpy(dtype=float))
        for name, part in marks.groupby("landmark")
    }
    axis, tip = places["stem_axis"], places["stem_tip"][-1]
    of_stem = system == "stem_7"
    top = places["stem_shoulder"][-1] if of_stem else axis[np.argmax(axis[:, 1])]
    try:
        outline = stem_outline(radiograph, axis, tip, top, side=side)
        if isinstance(outline, str):
            return untold_lines(system, f"the stem's outline is not trusted: {outline}")
        zones = (femoral_zones if of_stem else resurfacing_zones)(outline.axis_mm, side=side)
        return radiolucent_lines(radiograph, outline.edge_mm, zones)
    except StudyError as error:
        return untold_lines(system, " ".join(str(error).split("\n")))
