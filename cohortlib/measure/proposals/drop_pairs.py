"""Pairs of places on a pelvis that look like its two teardrops, the likeliest first."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from cohortlib.geometry.circle import Circle
from cohortlib.measure.proposals.ball import Window, metal_drop
from cohortlib.measure.proposals.proposal import SIDES
from cohortlib.measure.proposals.relief import Relief, relief
from cohortlib.measure.proposals.trough import trough_match

Array = NDArray[np.float64]
#: From the centre of an implanted head, medial and caudal, and how much that varies [mm on the film].
_FROM_HEAD_MM, _FROM_HEAD_SD_MM = np.array([31.0, 25.0]), np.array([5.0, 4.5])
#: From one teardrop to the other [mm on the film], and how far their middle may lie from that of the film.
_APART_MM, _MIDDLE_SD_MM = (128.0, 13.0), 15.0
_PRIOR_WEIGHT = 0.03
_MOST, _LEAST_MATCH = 25, 0.25
#: Pairs that are told, and how far apart two are another answer [mm].
_MOST_PAIRS, _ALIKE_MM = 4, 2.0
#: Metal is what is brighter than this share of the way from what surrounds an implant to its dome.
_METAL_SHARE = 0.5


class DropPair(NamedTuple):
    """Two places (2,) [mm], by side, and how much more each is worth than the next best of its side."""

    places: dict[str, Array]
    lead: dict[str, float]


class Metal(NamedTuple):
    """An implant that hides bone: its dome [mm], and the grey above which all is metal."""

    dome: Circle
    grey: float


def metal_of(window: Window, dome: Circle) -> Metal:
    """How bright the metal about a dome is."""
    radius_px = dome.radius / window.mm_per_px[0]
    bright, drop = metal_drop(window.pixels, dome.centre / window.flip, radius_px)
    return Metal(dome, bright - _METAL_SHARE * drop if drop > 0 else float("inf"))


def likely_pairs(
    window: Window, metal: dict[str, Metal], angle_deg: float, slope_sd: float
) -> list[DropPair]:
    """A few pairs unlike each other, the likeliest first, of a pelvis turned by an angle.

    How well the angle is known is the sd of the pair's slope.
    """
    size = np.array(window.pixels.shape[::-1]) * window.mm_per_px
    middle = size[0] / 2.0
    found = {}
    for side, sign in SIDES.items():
        # The part of the film in which a teardrop of this side may lie.
        centre = np.array([middle + sign * 0.18 * size[0], -0.6 * size[1]])
        half = np.array([0.18, 0.3]) * size
        own = metal.get(side)
        seen = relief(
            window.pixels,
            window.mm_per_px,
            centre,
            half,
            angle_deg=angle_deg,
            metal=float("inf") if own is None else own.grey,
        )
        found[side] = _candidates(seen, sign, None if own is None else own.dome)
    (right, right_worth), (left, left_worth) = found["right"], found["left"]
    if not len(right) or not len(left):
        return []
    apart = left[None] - right[:, None]
    distance, slope = apart[..., 0], apart[..., 1] / np.maximum(apart[..., 0], 1.0)
    off = ((distance - _APART_MM[0]) / _APART_MM[1]) ** 2
    off += np.minimum(((slope - np.tan(np.radians(angle_deg))) / slope_sd) ** 2, 25.0)
    off += ((0.5 * (left[None, :, 0] + right[:, None, 0]) - middle) / _MIDDLE_SD_MM) ** 2
    worth = right_worth[:, None] + left_worth[None] - _PRIOR_WEIGHT * off
    pairs: list[DropPair] = []
    for at in np.argsort(-worth, axis=None):
        r, k = np.unravel_index(int(at), worth.shape)
        ends = np.stack([right[r], left[k]])
        if any(_moved_mm(ends, one) < _ALIKE_MM for one in pairs):
            continue
        pairs.append(DropPair({"right": right[r], "left": left[k]}, _lead(right, left, worth, r, k)))
        if len(pairs) == _MOST_PAIRS:
            break
    return pairs


def _moved_mm(ends: Array, pair: DropPair) -> float:
    """How far two places lie from those of a pair, the one that lies further."""
    return float(np.linalg.norm(ends - [pair.places["right"], pair.places["left"]], axis=1).max())


def _lead(right: Array, left: Array, worth: Array, r: np.intp, k: np.intp) -> dict[str, float]:
    """How much more a pair is worth than any that has one of its places elsewhere."""
    far_right = np.linalg.norm(right - right[r], axis=1) > _ALIKE_MM
    far_left = np.linalg.norm(left - left[k], axis=1) > _ALIKE_MM
    return {
        "right": float(worth[r, k] - worth[far_right].max(initial=-1.0)),
        "left": float(worth[r, k] - worth[:, far_left].max(initial=-1.0)),
    }


def _candidates(seen: Relief, sign: float, dome: Circle | None) -> tuple[Array, Array]:
    """The places of one side that look most like a teardrop (n, 2) [mm], and how much."""
    match = trough_match(seen, sign)
    tops = np.argwhere((match == maximum_filter(match, 7)) & (match > _LEAST_MATCH))
    places = seen.places(tops[:, ::-1].astype(np.float64))
    worth = match[tuple(tops.T)]
    if dome is not None:
        off = ((places - dome.centre) * np.array([-sign, -1.0]) - _FROM_HEAD_MM) / _FROM_HEAD_SD_MM
        worth = worth - _PRIOR_WEIGHT * (off**2).sum(axis=1)
    order = np.argsort(-worth)[:_MOST]
    return places[order], worth[order]
