"""A circle fitted to the film's edges along the part of it that can be seen."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.geometry.circle import Circle
from cohortlib.measure.descent import descent
from cohortlib.measure.edges import falling_edges

Array = NDArray[np.float64]
_COARSE_MM = (4.0, 2.5)
_FINE_MM = (1.5, 1.0, 1.0)
_SPACING_MM = 0.6
_INDEPENDENT_MM = 2.0
_EXPLAINED_MM = 0.3
_LEAST_SEEN = 0.1
_STEPS_MM = np.full(3, 0.01)


class Expected(NamedTuple):
    """Centre x, y and radius as known before looking, and how well: both (3,) [mm]."""

    values: Array
    sd: Array


class _Follow(NamedTuple):
    circle: Circle
    seen: float
    explained: float


def fit_arc(
    pixels: NDArray[np.float32],
    expected: Expected,
    *,
    mm_per_px: tuple[float, float],
    least_drop: float,
    seen_towards: Array,
    half_angle_deg: float,
) -> tuple[Circle, float]:
    """The circle that best follows the edges of something dense and round.

    Parameters
    ----------
    pixels
        White = dense.
    expected
        Where to look.
    mm_per_px
        (x, y) of one pixel [mm].
    least_drop
        Least fall of grey per pixel that is an edge.
    seen_towards : (2,), half_angle_deg
        The middle of the visible arc, as a unit vector from the centre, and how far it reaches to either
        side of it.

    Returns
    -------
    circle, seen
        The circle, and the share of the arc on which an edge was found. Where less than a tenth is seen,
        what was expected comes back, and 0.
    """
    window = _Window(
        pixels, np.array(mm_per_px), least_drop, float(np.arctan2(*seen_towards[::-1])), half_angle_deg
    )
    starts = [
        expected.values + np.array([*(along * seen_towards), wider]) * expected.sd
        for along in (-1.5, 0.0, 1.5)
        for wider in (-1.5, 0.0, 1.5)
    ]
    coarse = [found for start in starts if (found := _followed(window, expected, start, _COARSE_MM))]
    if coarse:
        best = max(coarse, key=lambda found: found.explained).circle
        fine = _followed(window, expected, np.array([*best.centre, best.radius]), _FINE_MM)
        if fine is not None:
            return fine.circle, fine.seen
    x, y, radius = expected.values
    return Circle(np.array([x, y]), float(radius), np.diag(expected.sd**2), np.nan), 0.0


class _Window(NamedTuple):
    pixels: NDArray[np.float32]
    mm_per_px: Array
    least_drop: float
    facing: float
    half_angle_deg: float


def _followed(
    window: _Window, expected: Expected, start: Array, reaches: tuple[float, ...]
) -> _Follow | None:
    """The circle moved to the edges within ever shorter reach; None if too few are seen."""
    at: Array = start
    scale = window.mm_per_px * [1.0, -1.0]
    half = np.radians(window.half_angle_deg)
    result = None
    for reach in reaches:
        turn = window.facing + np.linspace(-half, half, max(60, int(2.0 * half * at[2] / _SPACING_MM)))
        outward = np.column_stack([np.cos(turn), np.sin(turn)])
        across = outward / scale
        length = np.linalg.norm(across, axis=1, keepdims=True)
        points = at[:2] + at[2] * outward
        edges = falling_edges(
            window.pixels,
            points / scale,
            across / length,
            reach_px=reach / window.mm_per_px[0],
            least_drop=window.least_drop,
        )
        seen = float(edges.found.mean())
        if seen < _LEAST_SEEN:
            return None
        found = (points + outward * (edges.offset_px[:, None] / length))[edges.found]
        forgiveness = max(0.15, 0.08 * reach)

        def residuals(p: Array, found: Array = found, forgiveness: float = forgiveness) -> Array:
            distance = np.hypot(found[:, 0] - p[0], found[:, 1] - p[1]) - p[2]
            return np.concatenate([distance, forgiveness * (p - expected.values) / expected.sd])

        at, slopes = descent(
            residuals,
            at,
            low=np.array([-np.inf, -np.inf, 1.0]),
            high=np.full(3, np.inf),
            forgiveness=forgiveness,
            steps=_STEPS_MM,
        )
        distances = residuals(at)[:-3]
        spread = max(1.4826 * float(np.median(np.abs(distances))), 1e-3)
        information = slopes[:-3].T @ slopes[:-3] * (_SPACING_MM / _INDEPENDENT_MM) / spread**2
        covariance: Array = np.linalg.inv(information + np.diag(expected.sd**-2.0)).astype(np.float64)
        circle = Circle(at[:2], float(at[2]), covariance, float(np.sqrt(np.mean(distances**2))))
        off = ((at - expected.values) / expected.sd) ** 2
        explained = _SPACING_MM * np.exp(-((distances / _EXPLAINED_MM) ** 2)).sum() - off.sum()
        result = _Follow(circle, seen, float(explained))
    return result
