"""Head, rim and stem of the implant of one side, proposed from the bright discs seen there."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from cohortlib.geometry.circle import Circle
from cohortlib.image import Radiograph
from cohortlib.measure.proposals.ball import Ball, Window, fitted_ball, metal_drop
from cohortlib.measure.proposals.coarse import COARSE_MM, CoarseFilm
from cohortlib.measure.proposals.confidence import head_confidence, rim_confidence, stem_confidence
from cohortlib.measure.proposals.proposal import Proposal, credible, not_proposed
from cohortlib.measure.proposals.rim import fitted_rim
from cohortlib.measure.proposals.rounds import Round
from cohortlib.measure.proposals.stem import StemAxis, fitted_stem
from cohortlib.measure.proposals.working import WORKING_MM

#: Bright discs of one side that are looked at closely: a ball of known size may lie beside the implant.
_MOST_TRIED = 2
#: An edge of metal falls by this share of what the metal stands out, in pixels of the working size.
_METAL_DROP = 0.05


class Implant(NamedTuple):
    """The shapes proposed of one implant, its dome [mm], and how sure its head is."""

    shapes: list[Proposal]
    dome: Circle
    sure: float


def found_implant(
    radiograph: Radiograph, film: CoarseFilm, rounds: list[Round], side: str, sign: float
) -> Implant | None:
    """The implant of one side, None where no round metal lies there."""
    own = [one for one in rounds if (one.x - film.grey.shape[1] / 2.0) * sign > 0]
    tried = [_about(radiograph, film, disc, side, sign) for disc in _separate(own)[:_MOST_TRIED]]
    return max((one for one in tried if one is not None), key=lambda one: one.sure, default=None)


def _separate(rounds: list[Round]) -> list[Round]:
    """Those that are not another circle about the same thing."""
    kept: list[Round] = []
    for one in rounds:
        if all(np.hypot(one.x - other.x, one.y - other.y) > other.radius for other in kept):
            kept.append(one)
    return kept


def _about(radiograph: Radiograph, film: CoarseFilm, disc: Round, side: str, sign: float) -> Implant | None:
    """Head, rim and stem about one bright disc."""
    place = film.px(np.array([disc.x, disc.y]))
    _, drop = metal_drop(radiograph.pixels, place, disc.radius * film.factor[0])
    if drop <= 0:
        return None
    least_drop = _METAL_DROP * drop * film.mm_per_px[0] / WORKING_MM
    window = Window(radiograph.pixels, film.mm_per_px, least_drop)
    ball = fitted_ball(window, disc, place * window.flip, disc.radius * COARSE_MM, sign)
    stem = fitted_stem(window, ball)
    aside_mm = abs(disc.x - film.grey.shape[1] / 2.0) * COARSE_MM
    sure, note = head_confidence(ball, disc, stem, aside_mm if film.scaled else np.inf)
    head = _head(ball, window, side, sure, note)
    shapes = [head, *(not_proposed(name, side, note) for name in ("cup_rim", "stem_axis"))]
    if head.found:
        shapes[1:] = [_rim(radiograph, window, ball, side, sign, sure), _stem(window, stem, side, sure)]
    return Implant(shapes, ball.dome, sure)


def _head(ball: Ball, window: Window, side: str, sure: float, note: str) -> Proposal:
    outline = ball.head.points()
    return credible(
        "head_edge", side, ball.head.points(10)[:-1] / window.flip, outline / window.flip, sure, note
    )


def _rim(
    radiograph: Radiograph, window: Window, ball: Ball, side: str, sign: float, head_sure: float
) -> Proposal:
    rim = fitted_rim(radiograph, window, ball, sign)
    if rim is None:
        return not_proposed("cup_rim", side, "no rim is seen")
    sure, note = rim_confidence(rim, ball, head_sure)
    marks, outline = rim.outline.points(13)[:-1], rim.outline.points()
    return credible("cup_rim", side, marks / window.flip, outline / window.flip, sure, note)


def _stem(window: Window, stem: StemAxis | None, side: str, head_sure: float) -> Proposal:
    if stem is None:
        return not_proposed("stem_axis", side, "no stem is followed from the ball")
    sure, note = stem_confidence(stem, head_sure)
    ends = stem.ends / window.flip
    return credible("stem_axis", side, ends, ends, sure, note)
