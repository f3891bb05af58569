"""Radiolucent lines along a fitted cup, zone by zone, as measurement rows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.geometry.polygon import Zone
from cohortlib.measure.cup.film import fit_refusal
from cohortlib.measure.cup.model import CupModel
from cohortlib.measure.cup.search import FilmFit
from cohortlib.measure.line_rows import line_rows, untold_lines
from cohortlib.measure.lucency import radiolucent_lines
from cohortlib.measure.scale import FilmScale
from cohortlib.measure.zones import acetabular_zones

Array = NDArray[np.float64]
SYSTEM = "cup_3"
_DOME_POINTS = 361


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
    """Rows quantity, zone, value, unit, sd, method, note of the lines along the cup of a fit: `line_rows`."""
    return line_rows(_lines(found), system=SYSTEM, mm_per_px=found.film.mm_per_px[0], scale=scale)


def _lines(found: FilmFit) -> pd.DataFrame:
    """What is measured along the cup; every zone not assessable where the cup itself is not trusted."""
    refusal = fit_refusal(found)
    if found.best is None or refusal:
        return untold_lines(SYSTEM, f"the cup's outline is not trusted: {refusal}")
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
