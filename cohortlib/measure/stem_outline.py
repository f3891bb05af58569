"""The outline of a stem or peg on a film, followed along its metal from two marks on its axis."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.polynomial.polynomial import polyfit, polyval
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from cohortlib.geometry.robust import points_array
from cohortlib.image import Radiograph
from cohortlib.measure.cup.rim import lateral_sign
from cohortlib.measure.edges import profiles

Array = NDArray[np.float64]
_STEP_MM, _SAMPLE_MM, _BLUR_MM = 1.0, 0.15, 0.45
#: Where the metal's edges may lie beside the marked axis at first [mm].
_NEAREST_MM, _FARTHEST_MM = 1.5, 14.0
#: How far an edge may lie from where those before it point to [mm].
_STRAY_MM = 1.5
#: An edge that falls less than this part of the first ones is none: metal in bone falls less than beside it.
_LEAST_DROP = 0.25
#: Edges are smoothed along the stem over so many stations: a median, then a mean (SD).
_MEDIAN, _SMOOTH = 7, 2.0
#: The direction is that of so many middles before.
_BACK = 8
#: Least part of the stations on which both edges are seen.
_LEAST_SEEN = 0.6
_LEAST_STATIONS, _MOST_STATIONS = 8, 400
#: How far the end of the tip may lie from its mark [mm].
_TIP_STRAY_MM = 4.0
_TIP_POINTS = 25


class StemOutline(NamedTuple):
    """A stem on a film [mm].

    Attributes
    ----------
    edge_mm : (n, 2)
        In order down the lateral side, about the tip and up the medial side.
    axis_mm : (k, 2)
        Middles between both sides, from the shoulder to the end of the tip.
    """

    edge_mm: Array
    axis_mm: Array


def stem_outline(
    radiograph: Radiograph, axis_mm: ArrayLike, tip_mm: ArrayLike, top_mm: ArrayLike, *, side: str
) -> StemOutline | str:
    """The edges of the metal on both sides of an axis, or in words why they are not found.

    Parameters
    ----------
    radiograph
        With a spacing.
    axis_mm : (n, 2), n >= 2
        Marks on the axis [mm on the film, x right, y up]; of a bent stem on its straight lower part.
    tip_mm : (2,)
        The end of the tip.
    top_mm : (2,)
        Where the part that lies in bone begins: the shoulder of a stem, the open end of a cap.
    side
        Of the hip.

    Raises
    ------
    StudyError
        If the film has no spacing, or the axis fewer than two distinct points.

    Notes
    -----
    From the middle of the marked axis up and down in steps of 1 mm; at each the steepest falls of density to
    both sides, within 1.5 mm of where the last ones were. The axis bends with the middles. Both edges are
    smoothed along the stem. The tip is drawn round, to where the metal ends within 4 mm of its mark.
    """
    axis = points_array(axis_mm, least=2, shape="an axis")
    tip, top = np.asarray(tip_mm, dtype=float), np.asarray(top_mm, dtype=float)
    low, high = axis[np.argmin(axis @ (top - tip))], axis[np.argmax(axis @ (top - tip))]
    down = (low - high) / np.linalg.norm(low - high)
    first = _station(radiograph, 0.5 * (low + high), down, None, 0.0)
    if first is None:
        return "no edges of metal beside the marked axis"
    up, on = (_followed(radiograph, first, way, end) for way, end in ((-1.0, top), (1.0, tip)))
    stations = [*up[:0:-1], *on]
    if len(stations) < _LEAST_STATIONS:
        return "the marks on axis, shoulder and tip leave no length of stem"
    seen = float(np.mean([station.seen for station in stations]))
    if seen < _LEAST_SEEN:
        return f"edges of the metal seen on {100 * seen:.0f} % of the stem only"
    return _outline(stations, _tip(radiograph, stations, tip), side)


class _Station(NamedTuple):
    """Both edges on one height, to the left and right of the image, their fall, and whether they are seen."""

    left: Array
    right: Array
    down: Array
    drop: float
    seen: bool

    @property
    def middle(self) -> Array:
        return 0.5 * (self.left + self.right)


def _followed(film: Radiograph, first: _Station, way: float, end: Array) -> list[_Station]:
    """Stations from the first on, down (way 1) or up (-1), as far as the level of an end."""
    stations = [first]
    while len(stations) < _MOST_STATIONS:
        last, down = stations[-1], stations[-1].down
        if len(stations) > _BACK:
            along = way * (last.middle - stations[-1 - _BACK].middle)
            down = along / np.linalg.norm(along)
        place = last.middle + way * _STEP_MM * down
        if way * (end - place) @ down <= 0:
            break
        half = 0.5 * float(np.linalg.norm(last.left - last.right))
        station = _station(film, place, down, half, _LEAST_DROP * first.drop)
        if station is None:  # carried on as wide as it was
            aside = half * np.array([-down[1], down[0]])
            station = _Station(place - aside, place + aside, down, 0.0, False)
        stations.append(station)
    return stations


def _station(
    film: Radiograph, place: Array, down: Array, half_mm: float | None, least_drop: float
) -> _Station | None:
    """The steepest falls of density to both sides of a place; None if one is missing."""
    across = np.array([-down[1], down[0]])
    offsets = _offsets(_FARTHEST_MM)
    to_px = film.px(across[None])[0]
    grey = profiles(film.pixels, film.px(place[None]), to_px[None], offsets)[0]
    slope = gaussian_filter1d(grey, _BLUR_MM / _SAMPLE_MM, order=1, mode="nearest")
    slope = np.nan_to_num(slope)
    found = []
    for sign in (-1.0, 1.0):
        away = sign * offsets
        near = (
            (away > _NEAREST_MM) if half_mm is None else (np.abs(away - half_mm) < _STRAY_MM) & (away > 0.5)
        )
        fall = np.where(near, -sign * slope, -np.inf)
        at = int(np.argmax(fall))
        if not fall[at] > least_drop:
            return None
        found.append((offsets[at], float(fall[at])))
    (left, left_drop), (right, right_drop) = found
    drop = min(left_drop, right_drop)
    return _Station(place + left * across, place + right * across, down, drop, True)


def _tip(film: Radiograph, stations: list[_Station], tip: Array) -> Array:
    """The end of the metal on the axis near its mark; the mark where none is seen."""
    at = stations[max(len(stations) - _BACK, 0)]
    level = float((tip - at.middle) @ at.down)
    place = at.middle + level * at.down
    offsets = _offsets(_TIP_STRAY_MM)
    grey = profiles(film.pixels, film.px(place[None]), film.px(at.down[None]), offsets)[0]
    fall = -np.nan_to_num(gaussian_filter1d(grey, _BLUR_MM / _SAMPLE_MM, order=1, mode="nearest"))
    best = int(np.argmax(fall))
    if not fall[best] > _LEAST_DROP * stations[len(stations) // 2].drop:
        return place
    return np.asarray(place + offsets[best] * at.down)


def _outline(stations: list[_Station], tip: Array, side: str) -> StemOutline:
    """Both edges smoothed along the stem, and closed about its round tip."""
    body = [
        station
        for station in stations
        if (tip - station.middle) @ station.down > 0.5 * np.linalg.norm(station.left - station.right)
    ]
    stations = body if len(body) >= _MEDIAN else stations
    downs = np.array([station.down for station in stations])
    across = np.column_stack([-downs[:, 1], downs[:, 0]])
    middles = np.array([station.middle for station in stations])
    halves = np.array([0.5 * np.linalg.norm(station.left - station.right) for station in stations])
    middles, halves = _smooth(middles), _smooth(halves[:, None])
    edges = {-1.0: middles - halves * across, 1.0: middles + halves * across}
    lateral = lateral_sign(side)
    first, last = edges[lateral], edges[-lateral]
    reach = max(float((tip - middles[-1]) @ downs[-1]), 0.1)
    turn = np.linspace(0.0, np.pi, _TIP_POINTS)[1:-1, None]
    round_tip = middles[-1] + np.cos(turn) * (first[-1] - middles[-1]) + np.sin(turn) * reach * downs[-1]
    axis = np.vstack([middles, middles[-1] + reach * downs[-1]])
    return StemOutline(np.vstack([first, round_tip, last[::-1]]), axis)


def _offsets(reach_mm: float) -> Array:
    """Places along a line, as far one way as the other [mm]."""
    half = round(reach_mm / _SAMPLE_MM)
    return np.arange(-half, half + 1, dtype=np.float64) * _SAMPLE_MM


def _smooth(values: Array) -> Array:
    """Values (n, k) along a stem without strays: smoothed about a cubic, so that the ends stay in place."""
    at = np.linspace(-1.0, 1.0, len(values))
    course = polyval(at, polyfit(at, values, 3)).T
    kept = median_filter(values - course, size=(_MEDIAN, 1), mode="nearest")
    return np.asarray(course + gaussian_filter1d(kept, _SMOOTH, axis=0, mode="nearest"))
