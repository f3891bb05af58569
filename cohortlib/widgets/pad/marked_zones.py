"""Outlines of zones from the marks of one reading, to be drawn over the film while it is read."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import StudyError
from cohortlib.geometry.polygon import Zone
from cohortlib.image import Radiograph
from cohortlib.measure.marked_head import marked_head
from cohortlib.measure.zones import acetabular_zones, femoral_zones, resurfacing_zones
from cohortlib.widgets.pad.outlines import OUTLINE_COLUMNS

Array = NDArray[np.float64]
#: Landmark → (n, 2) [mm].
Places = dict[str, Array]
#: One click along each axis [mm]; it only weighs marks that lie far off (from memory).
_CLICK_SD_MM = 0.3


def marked_zones(radiograph: Radiograph, marks: pd.DataFrame) -> pd.DataFrame:
    """Corners of the zones that the marks on a film allow, as `MarkingPad` takes them in `zones_of`.

    Parameters
    ----------
    marks
        landmark, side, x_px, y_px.

    Returns
    -------
    DataFrame
        One row a corner: side, zone_system, zone, x_px, y_px. Of a side without the marks, no rows.

    Notes
    -----
    Cup: needs 3 marks on the head's edge and 2 on the rim. Its sectors lie about the head's centre and reach
    beyond the rim, a guide for the eye; the outline that is measured follows the cup itself. Stem: needs 2
    marks on its axis; its tip and shoulder where they are marked. The zones of a resurfacing's peg come
    from the same marks: only those zones are drawn that are to be graded.

    Raises
    ------
    StudyError
        If the film has no spacing: the zones have sizes in millimetres.
    """
    rows = []
    for side in ("right", "left"):
        own = marks[marks["side"] == side]
        places = {
            str(name): radiograph.mm(part[["x_px", "y_px"]].to_numpy(dtype=float))
            for name, part in own.groupby("landmark")
        }
        for make in (_cup, _stem, _peg):
            try:
                zones = make(places, side)
            except StudyError:
                continue  # marks too few or all in one place: nothing to draw yet
            for zone in zones:
                for x_px, y_px in radiograph.px(zone.polygon_mm):
                    rows.append((side, zone.system, zone.name, float(x_px), float(y_px)))
    return pd.DataFrame(rows, columns=list(OUTLINE_COLUMNS))


def _cup(places: Places, side: str) -> list[Zone]:
    if len(places.get("head_edge", ())) < 3 or len(places.get("cup_rim", ())) < 2:
        return []
    centre = marked_head(places["head_edge"], click_sd=_CLICK_SD_MM).centre
    rim = places["cup_rim"]
    apart = np.linalg.norm(rim[:, None] - rim[None], axis=2)
    ends = rim[list(np.unravel_index(int(apart.argmax()), apart.shape))]
    radius = float(np.linalg.norm(ends - centre, axis=1).mean())
    return acetabular_zones(centre, radius, ends, side=side)


def _stem(places: Places, side: str) -> list[Zone]:
    if "stem_axis" not in places:
        return []
    tip, shoulder = _ends(places)
    return femoral_zones(places["stem_axis"], side=side, tip_mm=tip, shoulder_mm=shoulder)


def _peg(places: Places, side: str) -> list[Zone]:
    if "stem_axis" not in places:
        return []
    tip, shoulder = _ends(places)
    return resurfacing_zones(places["stem_axis"], side=side, tip_mm=tip, shoulder_mm=shoulder)


def _ends(places: Places) -> tuple[Array | None, Array | None]:
    """The latest marks on tip and shoulder."""
    tip, shoulder = (places.get(f"stem_{end}") for end in ("tip", "shoulder"))
    return (None if tip is None else tip[-1]), (None if shoulder is None else shoulder[-1])
