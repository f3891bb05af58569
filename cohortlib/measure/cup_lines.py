"""Radiolucent lines along a fitted cup, zone by zone, as measurement rows and as states of zones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.geometry.polygon import Zone
from cohortlib.measure.cup.film import fit_refusal
from cohortlib.measure.cup.model import CupModel
from cohortlib.measure.cup.search import FilmFit
from cohortlib.measure.lucency import COMPLETE_PERCENT, radiolucent_lines
from cohortlib.measure.marked import NO_SCALE
from cohortlib.measure.rows import check_measurements
from cohortlib.measure.scale import FilmScale
from cohortlib.measure.zones import acetabular_zones
from cohortlib.quantities import QUANTITIES
from cohortlib.tables import ZONE_SYSTEMS

Array = NDArray[np.float64]
SYSTEM = "cup_3"
_WIDTH, _EXTENT = f"line_width_{SYSTEM}", f"line_extent_{SYSTEM}"
_DOME_POINTS = 361
#: What is used of a table of `radiolucent_lines`.
_USED = ["zone", "width_mm", "sd", "extent_percent", "method", "note"]
_ZONE_KEYS = ["hip_id", "patient_id", "visit_id", "image_id", "reader_id", "repeat", "zone"]


def cup_zones(model: CupModel, *, side: str) -> list[Zone]:
    """The three zones about a fitted cup, in millimetres of the film."""
    dome = model.dome_shadow()
    return acetabular_zones(dome.centre, float(np.mean(dome.semi_axes)), _mouth(model), side=side)


def dome_outline(model: CupModel) -> Array:
    """Points (n, 2) along the shadow of the dome, from the lateral end of the mouth to the medial."""
    dome, ends = model.dome_shadow(), _mouth(model)
    ends = ends[np.argsort(-model.sign * ends[:, 0])]
    out_of_mouth = model.sign * (ends[0] - ends[1])[::-1] * [1, -1]
    points = dome.points(_DOME_POINTS)[:-1]
    turns, (first, last) = (_turned(places - dome.centre, out_of_mouth) for places in (points, ends))
    seen = (turns > min(first, last)) & (turns < max(first, last))
    along = np.argsort(turns[seen] if first < last else -turns[seen])
    return np.asarray(points[seen][along])


def cup_line_rows(found: FilmFit, *, scale: FilmScale | None) -> list[list[Any]]:
    """Rows quantity, zone, value, unit, sd, method, note of the lines along the cup of a fit.

    Notes
    -----
    Each zone has a row for the extent: 0 where there is no line, empty with the reason where the film does
    not allow to tell. A line has a second row with its width, in millimetres of the patient by `scale`.
    """
    lines = _lines(found)
    spacing, rows = found.film.mm_per_px[0], []
    for line in lines.to_dict("records"):
        zone, note = line["zone"], line["note"]
        method = line["method"] or "profiles across the interface"
        rows.append([_EXTENT, zone, line["extent_percent"], "%", np.nan, method, note])
        if not line["extent_percent"] > 0:
            continue
        if scale is None:
            rows.append([_WIDTH, zone, np.nan, "mm", np.nan, f"{method}; no scale", NO_SCALE])
            continue
        life_size = scale.x_mm_per_px / spacing
        width = line["width_mm"] * life_size
        sd = float(np.hypot(line["sd"] * life_size, width * scale.relative_sd))
        rows.append([_WIDTH, zone, width, "mm", sd, f"{method}; scale: {scale.source}", note])
    return rows


def measured_lines(measurements: pd.DataFrame) -> pd.DataFrame:
    """Measured lines as states of zones, as readers grade them and `lucency_progression` takes them.

    Parameters
    ----------
    measurements
        The columns of `MEASUREMENT_COLUMNS`, such as from `measure_study`; other quantities are left aside.

    Returns
    -------
    DataFrame
        hip_id, patient_id, visit_id, image_id, reader_id, repeat, zone_system, zone, state (none, incomplete,
        complete, not assessable), width_mm, extent_percent, note. One row a zone and reading.

    Raises
    ------
    StudyError
        If a column is missing.
    """
    check_measurements(measurements)
    extents = measurements[measurements["quantity"] == _EXTENT]
    widths = measurements[measurements["quantity"] == _WIDTH]
    table = extents[[*_ZONE_KEYS, "value", "note"]].rename(columns={"value": "extent_percent"})
    table = table.merge(
        widths[[*_ZONE_KEYS, "value"]].rename(columns={"value": "width_mm"}), on=_ZONE_KEYS, how="left"
    )
    extent = table["extent_percent"]
    state = np.select(
        [extent.isna(), extent == 0, extent < COMPLETE_PERCENT],
        ["not assessable", "none", "incomplete"],
        "complete",
    )
    table = table.assign(zone_system=QUANTITIES[_EXTENT].zones, state=state)
    columns = [*_ZONE_KEYS[:-1], "zone_system", "zone", "state", "width_mm", "extent_percent", "note"]
    return table[columns]


def _lines(found: FilmFit) -> pd.DataFrame:
    """What is measured along the cup; every zone not assessable where the cup itself is not trusted."""
    refusal = fit_refusal(found)
    if found.best is None or refusal:
        names = ZONE_SYSTEMS[SYSTEM].names
        table = pd.DataFrame({"zone": names}, columns=_USED)
        return table.assign(method="", note=f"the cup's outline is not trusted: {refusal}")
    model = found.best.model
    zones = {zone.name: zone.polygon_mm for zone in cup_zones(model, side=found.reading.side)}
    return radiolucent_lines(found.film.radiograph, dome_outline(model), zones)


def _mouth(model: CupModel) -> Array:
    """Both ends of the mouth (2, 2): those of the long axis of the rim's shadow."""
    return model.rim_shadow().points(3)[:2]


def _turned(away: Array, zero: Array) -> Array:
    """Angles (n,) from a direction to others (n, 2), anticlockwise, from 0 to a full turn."""
    turn = np.arctan2(zero[0] * away[:, 1] - zero[1] * away[:, 0], away @ zero)
    return np.asarray(turn % (2.0 * np.pi))
