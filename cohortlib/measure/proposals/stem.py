"""The axis of a stem or peg, followed from the ball to its tip."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from cohortlib.measure.edges import profiles
from cohortlib.measure.proposals.ball import Ball, Window
from cohortlib.measure.proposals.line import robust_line

Array = NDArray[np.float64]
#: A step about the ball [mm]; how broad a band is and how far beside it the grey is compared, in steps.
_EXIT_STEP_MM, _BAND, _BESIDE = 0.5, 11, 26
_STEP_MM = 1.5
_REACH_MM = 15.0
_SAMPLE_MM = 0.25
#: How far an edge may lie from where the last one was [mm].
_STRAY_MM = 1.6
#: An edge of metal in bone is weaker than one in soft tissue.
_WEAK = 0.35
_WIDTH_MM = (4.0, 26.0)
_MOST_MISSED = 3
_LEAST_PAIRS = 10
_STRAIGHT_MM = 0.5
#: The part of the way from the head's centre to the tip that is the axis of a curved stem.
_DISTAL_SHARE = 0.25


class StemAxis(NamedTuple):
    """Two ends of the axis, upper one first (2, 2) [mm], and what they rest on."""

    ends: Array
    rms: float
    pairs: int
    strength: float
    straight: bool


def fitted_stem(window: Window, ball: Ball) -> StemAxis | None:
    """The middle of the metal band that leaves the ball through its mouth; None if it is not followed."""
    begin = _exit(window, ball)
    if begin is None:
        return None
    middles, strengths = _followed(window, *begin)
    if len(middles) < _LEAST_PAIRS:
        return None
    axis = robust_line(middles)
    straight = axis[2] < _STRAIGHT_MM
    if not straight:
        length = np.linalg.norm(middles - ball.head.centre, axis=1)
        distal = length > (1.0 - _DISTAL_SHARE) * length.max()
        if distal.sum() < _LEAST_PAIRS:
            return None
        middles = middles[distal]
        axis = robust_line(middles)
    point, along, rms = axis
    reach = (middles - point) @ along
    ends = point + np.outer([reach.min(), reach.max()], along)
    return StemAxis(ends[np.argsort(-ends[:, 1])], rms, len(middles), float(np.median(strengths)), straight)


def _across(window: Window, points: Array, normal: Array, reach_mm: float) -> tuple[Array, Array]:
    """Places along a normal [mm] and the grey there, smoothed."""
    offsets = np.arange(-reach_mm, reach_mm + 1e-9, _SAMPLE_MM)
    grey = profiles(window.pixels, points / window.flip, normal / window.flip, offsets)
    return offsets, gaussian_filter1d(grey, 0.5 / _SAMPLE_MM, axis=1)


def _exit(window: Window, ball: Ball) -> tuple[Array, Array] | None:
    """Where the brightest band leaves the ball: a point [mm] and the direction outwards."""
    facing = np.arctan2(ball.mouth[1], ball.mouth[0])
    best, worth = None, 0.0
    for share in (1.15, 1.3):
        radius = share * ball.dome.radius
        turn = facing + np.arange(-1.3, 1.31, _EXIT_STEP_MM / radius)
        outward = np.column_stack([np.cos(turn), np.sin(turn)])
        grey = profiles(
            window.pixels, (ball.dome.centre + radius * outward) / window.flip, outward, np.zeros(1)
        )[:, 0]
        grey = np.nan_to_num(grey, nan=float(np.nanmin(grey)) if np.isfinite(grey).any() else 0.0)
        band = uniform_filter1d(grey, _BAND)
        beside = np.maximum(np.roll(band, _BESIDE), np.roll(band, -_BESIDE))
        stands_out = band - beside
        stands_out[:_BESIDE] = stands_out[-_BESIDE:] = 0.0
        top = int(np.argmax(stands_out))
        if stands_out[top] > worth:
            best, worth = (ball.dome.centre + radius * outward[top], outward[top]), float(stands_out[top])
    return best


def _followed(window: Window, start: Array, along: Array) -> tuple[Array, Array]:
    """Middles (n, 2) [mm] of the band from its start to where it ends, and how strong its edges are."""
    least = _WEAK * window.least_drop
    place, edges, missed = start, None, 0
    middles: list[Array] = []
    strengths: list[float] = []
    while missed <= _MOST_MISSED and len(middles) < 200:
        normal = np.array([-along[1], along[0]])
        offsets, grey = _across(window, place[None], normal[None], _REACH_MM)
        slope = np.nan_to_num(np.gradient(grey[0])) * window.mm_per_px[0] / _SAMPLE_MM
        pair = _pair(offsets, slope, edges, least)
        if pair is None:
            missed += 1
        else:
            missed = 0
            middle = place + 0.5 * (pair[0] + pair[1]) * normal
            middles.append(middle)
            strengths.append(pair[2] / window.least_drop)
            half = 0.5 * (pair[1] - pair[0])
            edges, place = (-half, half), middle
            if len(middles) >= 6:
                _, direction, _ = robust_line(np.array(middles[-12:]))
                along = direction * np.sign(direction @ along)
        place = place + _STEP_MM * along
    return np.array(middles).reshape(-1, 2), np.array(strengths)


def _pair(
    offsets: Array, slope: Array, expected: tuple[float, float] | None, least: float
) -> tuple[float, float, float] | None:
    """Rise and fall of one band [mm], and the weaker of the two; None if one is missing."""
    if expected is None:
        rising, falling = (offsets < -1.0) & (offsets > -11.0), (offsets > 1.0) & (offsets < 11.0)
    else:
        rising, falling = (np.abs(offsets - place) < _STRAY_MM for place in expected)
    if not rising.any() or not falling.any():
        return None
    up, down = np.where(rising, slope, -np.inf), np.where(falling, -slope, -np.inf)
    left, right = int(np.argmax(up)), int(np.argmax(down))
    weaker = float(min(up[left], down[right]))
    if weaker < least or not _WIDTH_MM[0] <= offsets[right] - offsets[left] <= _WIDTH_MM[1]:
        return None
    return float(offsets[left]), float(offsets[right]), weaker
