"""Radiolucent lines as measurement rows, and such rows as states of zones, for every system of zones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from cohortlib.measure.lucency import COMPLETE_PERCENT
from cohortlib.measure.marked import NO_SCALE
from cohortlib.measure.rows import check_measurements
from cohortlib.measure.scale import FilmScale
from cohortlib.quantities import QUANTITIES
from cohortlib.tables import ZONE_SYSTEMS

_WIDTH, _EXTENT = "line_width_", "line_extent_"
_ZONE_KEYS = ["hip_id", "patient_id", "visit_id", "image_id", "reader_id", "repeat", "zone_system", "zone"]


def line_rows(
    lines: pd.DataFrame, *, system: str, mm_per_px: float, scale: FilmScale | None
) -> list[list[Any]]:
    """Rows quantity, zone, value, unit, sd, method, note of the lines along one component.

    Parameters
    ----------
    lines
        From `radiolucent_lines`: zone, width_mm, sd, extent_percent, method, note.
    system
        Of `ZONE_SYSTEMS`.
    mm_per_px
        The millimetres that the widths of `lines` are in, for one pixel.
    scale
        Of the film at this hip; None leaves widths without a value.

    Notes
    -----
    Each zone has a row for the extent: 0 where there is no line, empty with the reason where the film does
    not allow to tell. A line has a second row with its width, in millimetres of the patient by `scale`.
    """
    rows = []
    for line in lines.to_dict("records"):
        zone, note = line["zone"], line["note"]
        method = line["method"] or "profiles across the interface"
        rows.append([_EXTENT + system, zone, line["extent_percent"], "%", np.nan, method, note])
        if not line["extent_percent"] > 0:
            continue
        if scale is None:
            rows.append([_WIDTH + system, zone, np.nan, "mm", np.nan, f"{method}; no scale", NO_SCALE])
            continue
        life_size = scale.x_mm_per_px / mm_per_px
        width = line["width_mm"] * life_size
        sd = float(np.hypot(line["sd"] * life_size, width * scale.relative_sd))
        rows.append([_WIDTH + system, zone, width, "mm", sd, f"{method}; scale: {scale.source}", note])
    return rows


def untold_lines(system: str, reason: str) -> pd.DataFrame:
    """Lines of a component whose outline is not known: every zone not assessable, with the reason."""
    names = ZONE_SYSTEMS[system].names
    columns = ["zone", "width_mm", "sd", "extent_percent", "method", "note"]
    return pd.DataFrame({"zone": names}, columns=columns).assign(method="", note=reason)


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
    extents, widths = (_of(measurements, kind) for kind in (_EXTENT, _WIDTH))
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
    return table.assign(state=state)[[*_ZONE_KEYS, "state", "width_mm", "extent_percent", "note"]]


def _of(measurements: pd.DataFrame, kind: str) -> pd.DataFrame:
    """The rows of one kind of quantity, with the system of zones that its name ends with."""
    names = [name for name in QUANTITIES if name.startswith(kind)]
    rows = measurements[measurements["quantity"].isin(names)]
    return rows.assign(zone_system=rows["quantity"].str.removeprefix(kind))
