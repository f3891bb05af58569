"""The ball of a hip implant on a film: its dome and, in the mouth of the cup, its head."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from cohortlib.geometry.circle import Circle
from cohortlib.measure.arc import Expected, fit_arc
from cohortlib.measure.edges import profiles
from cohortlib.measure.proposals.rounds import Round

Array = NDArray[np.float64]
#: A cup usually opens about this far from the long axis of the body [deg]; only where to look first.
_USUAL_OPENING_DEG = 42.0
_DOME_HALF_ANGLE_DEG = 75.0
_HEAD_HALF_ANGLE_DEG = 85.0
_STEP_MM = 0.3
#: A head is smaller than its cup by at least this [mm], and at least this share of it.
_LEAST_WALL_MM, _LEAST_SHARE = 1.5, 0.5


class Window(NamedTuple):
    """What is looked at in full sharpness: pixels, white = dense, (x, y) of one [mm], least edge of metal."""

    pixels: NDArray[np.float32]
    mm_per_px: tuple[float, float]
    least_drop: float

    @property
    def flip(self) -> Array:
        """Pixels to working millimetres, x right and y up."""
        return np.array([self.mm_per_px[0], -self.mm_per_px[1]])


class Ball(NamedTuple):
    """Dome and head [mm] with the share of their arcs that was seen, and the direction of the mouth (2,).

    `distinct` compares the head's outline with the next best of another size: 1 is no better, 0 alone.
    """

    dome: Circle
    dome_seen: float
    head: Circle
    head_seen: float
    mouth: Array
    distinct: float
    contrast: float


def metal_drop(pixels: NDArray[np.float32], centre_px: Array, radius_px: float) -> tuple[float, float]:
    """Typical grey within a disc, and how far it lies above what is around it."""
    reach = int(np.ceil(1.6 * radius_px))
    x, y = (round(float(value)) for value in centre_px)
    top, left = max(0, y - reach), max(0, x - reach)
    patch = pixels[top : y + reach + 1 : 2, left : x + reach + 1 : 2]
    rows = np.arange(patch.shape[0])[:, None] * 2 + top - y
    columns = np.arange(patch.shape[1])[None, :] * 2 + left - x
    away = np.hypot(columns, rows) / radius_px
    inside, around = patch[away < 0.85], patch[(away > 1.15) & (away < 1.6)]
    metal = float(np.percentile(inside, 90))
    return metal, metal - float(np.median(around))


def fitted_ball(window: Window, start: Round, centre_mm: Array, radius_mm: float, sign: float) -> Ball:
    """Dome and head about a bright disc; `sign` is +1 for a hip at the right of the image, a left hip."""
    turn = np.radians(_USUAL_OPENING_DEG)
    mouth = np.array([sign * np.sin(turn), -np.cos(turn)])
    expected = Expected(np.array([*centre_mm, radius_mm]), np.array([2.0, 2.0, 2.0]))
    for half_angle in (_DOME_HALF_ANGLE_DEG, 95.0):
        dome, dome_seen = fit_arc(
            window.pixels,
            expected,
            mm_per_px=window.mm_per_px,
            least_drop=window.least_drop,
            seen_towards=-mouth,
            half_angle_deg=half_angle,
        )
        expected = Expected(np.array([*dome.centre, dome.radius]), np.array([1.0, 1.0, 1.0]))
        mouth = _mouth(window, dome, mouth)
    radius, distinct = _head_radius(window, dome, mouth)
    head, head_seen = fit_arc(
        window.pixels,
        Expected(np.array([*dome.centre, radius]), np.array([0.6, 0.6, 0.5])),
        mm_per_px=window.mm_per_px,
        least_drop=window.least_drop,
        seen_towards=mouth,
        half_angle_deg=_HEAD_HALF_ANGLE_DEG,
    )
    return Ball(dome, dome_seen, head, head_seen, mouth, distinct, start.contrast)


def _falls(window: Window, centre: Array, outward: Array, radii: Array) -> Array:
    """Fall of grey per pixel outwards (rays, radii), in least drops, at most four."""
    start = np.repeat((centre / window.flip)[None], len(outward), axis=0)
    grey = profiles(window.pixels, start, outward / window.flip, radii)
    slope = -gaussian_filter1d(grey, 0.5 / _STEP_MM, axis=1, order=1, mode="nearest")
    slope *= window.mm_per_px[0] / _STEP_MM / window.least_drop
    return np.clip(np.nan_to_num(slope), 0.0, 4.0)


def _mouth(window: Window, dome: Circle, before: Array) -> Array:
    """Away from the middle of the arc on which the dome is seen."""
    turn = np.radians(np.arange(0.0, 360.0, 2.0))
    outward = np.column_stack([np.cos(turn), np.sin(turn)])
    radii = dome.radius + np.arange(-1.2, 1.21, _STEP_MM)
    seen = _falls(window, dome.centre, outward, radii).max(axis=1) > 1.0
    # Half the circle that holds the most edge; gaps and strays count little.
    held = uniform_filter1d(seen.astype(np.float64), 81, mode="wrap") + 0.15 * (outward @ -before)
    middle = outward[held > held.max() - 0.02].mean(axis=0)
    return np.asarray(-middle / np.linalg.norm(middle), dtype=np.float64)


def _head_radius(window: Window, dome: Circle, mouth: Array) -> tuple[float, float]:
    """The radius about the dome's centre at which most falls of grey lie, and how alone it is."""
    turn = np.arctan2(mouth[1], mouth[0]) + np.radians(np.arange(-90.0, 90.1, 2.0))
    outward = np.column_stack([np.cos(turn), np.sin(turn)])
    radii = np.arange(_LEAST_SHARE * dome.radius - 2.0, dome.radius + 2.0, _STEP_MM)
    falls = _falls(window, dome.centre, outward, radii)
    # Only the top of each fall counts, so that a slow slope is no outline.
    peaks = falls * ((falls >= np.roll(falls, 1, axis=1)) & (falls >= np.roll(falls, -1, axis=1)))
    votes = gaussian_filter1d(np.minimum(peaks, 2.0).mean(axis=0), 0.5 / _STEP_MM)
    votes[(radii < _LEAST_SHARE * dome.radius) | (radii > dome.radius - _LEAST_WALL_MM)] = 0.0
    top = int(np.argmax(votes))
    others = votes[np.abs(radii - radii[top]) > 1.8]
    return float(radii[top]), float(others.max(initial=0.0) / max(votes[top], 1e-9))
