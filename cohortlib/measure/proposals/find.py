"""Proposals for a whole film: every shape that can be found on it without a reader."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.image import Radiograph
from cohortlib.measure.proposals.ball import Ball, Window, fitted_ball, metal_drop
from cohortlib.measure.proposals.coarse import COARSE_MM, CoarseFilm, working_spacing
from cohortlib.measure.proposals.confidence import (
    drop_confidence,
    head_confidence,
    rim_confidence,
    shaft_confidence,
    stem_confidence,
)
from cohortlib.measure.proposals.drops import fitted_drops
from cohortlib.measure.proposals.proposal import Proposal
from cohortlib.measure.proposals.rim import fitted_rim
from cohortlib.measure.proposals.rounds import Round
from cohortlib.measure.proposals.shaft import fitted_shaft
from cohortlib.measure.proposals.stem import fitted_stem
from cohortlib.measure.proposals.upright import separate_rounds, upright_film

Array = NDArray[np.float64]
_TURNED = "the film is inverted against its header"
_SIDES = {"right": -1.0, "left": 1.0}
#: A film smaller than this shows no pelvis.
_LEAST_MM, _LEAST_PX = 100.0, 100
#: Bright discs of one side that are looked at closely: a ball of known size may lie beside the implant.
_MOST_TRIED = 2
#: From this confidence on, a head says where its teardrop is.
_SURE_HEAD = 0.1
#: A shaft lies at least this far from the middle of the film [mm], and its edge falls by at least this
#: share of the film's range per pixel.
_FROM_MIDDLE_MM, _BONE_DROP = 45.0, 0.003


def component_proposals(radiograph: Radiograph) -> list[Proposal]:
    """Head circle, rim, teardrop, stem axis and shaft axis of each hip on a film, as far as they are found.

    Parameters
    ----------
    radiograph
        A film of the pelvis, front to back, hung the usual way. A film whose header lies of its polarity
        is turned first; one without spacing is searched at the scale its width suggests.

    Returns
    -------
    list of Proposal
        In pixels of the film, the patient's right side first. A shape that is not found is left out: a
        proposal is never a reading, and none says nothing of what is there.

    Raises
    ------
    StudyError
        If a grey value is no finite number.

    Notes
    -----
    Edges vote for bright discs; dome and head are circles fitted to the film's edges about a disc, the rim
    by the same fit that refines a reader's marks. The stem is the metal band that leaves the ball through
    the mouth of the cup, the shaft what lies between two parallel edges low on the film. The side is that
    half of the image the hip lies in.
    """
    _check_finite(radiograph)
    across_mm, down_mm = np.array(radiograph.pixels.shape[::-1]) * working_spacing(radiograph)
    if min(across_mm, down_mm) < _LEAST_MM or min(radiograph.pixels.shape) < _LEAST_PX:
        return []
    film, rounds, turned = upright_film(radiograph)
    pixels = radiograph.pixels
    if turned:
        pixels = np.float32(pixels.max()) - pixels
        radiograph = replace(radiograph, pixels=pixels)
    found = []
    for side, sign in _SIDES.items():
        metal = [one for one in rounds if (one.x - film.grey.shape[1] / 2.0) * sign > 0]
        implants = [_of_implant(radiograph, film, one, side) for one in separate_rounds(metal)[:_MOST_TRIED]]
        found += max(
            implants, key=lambda shapes: max((one.confidence for one in shapes), default=0.0), default=[]
        )
        found += _of_bone(pixels, film, side)
    found += _teardrops(pixels, film, found)
    if turned:
        found = [replace(one, note="; ".join(filter(None, (one.note, _TURNED)))) for one in found]
    return found


def _check_finite(radiograph: Radiograph) -> None:
    wrong = radiograph.pixels.size - int(np.isfinite(radiograph.pixels).sum())
    if wrong:
        raise study_error(
            file=radiograph.name,
            column="pixels",
            found=f"{wrong} grey values that are no finite numbers",
            expected="a finite grey value in each pixel",
            remedy="Read the image again from its file",
        )


def _of_implant(radiograph: Radiograph, film: CoarseFilm, disc: Round, side: str) -> list[Proposal]:
    """Head, rim and stem about one bright disc."""
    place = film.px(np.array([disc.x, disc.y]))
    _, drop = metal_drop(radiograph.pixels, place, disc.radius * film.factor[0])
    if drop <= 0:
        return []
    window = Window(radiograph.pixels, film.mm_per_px, 0.05 * drop)
    ball = fitted_ball(window, disc, place * window.flip, disc.radius * COARSE_MM, _SIDES[side])
    stem = fitted_stem(window, ball)
    aside_mm = abs(disc.x - film.grey.shape[1] / 2.0) * COARSE_MM
    head_sure, note = head_confidence(ball, disc, stem, aside_mm if film.scaled else np.inf)
    found = [_head(ball, window, side, head_sure, note)]
    rim = fitted_rim(radiograph, window, ball, _SIDES[side])
    if rim is not None:
        sure, note = rim_confidence(rim, ball, head_sure)
        outline = rim.outline.points() / window.flip
        found.append(
            Proposal("cup_rim", side, rim.outline.points(13)[:-1] / window.flip, outline, sure, note)
        )
    if stem is not None:
        sure, note = stem_confidence(stem, head_sure)
        ends = stem.ends / window.flip
        found.append(Proposal("stem_axis", side, ends, ends, sure, note))
    return found


def _head(ball: Ball, window: Window, side: str, sure: float, note: str) -> Proposal:
    return Proposal(
        "head_edge",
        side,
        ball.head.points(10)[:-1] / window.flip,
        ball.head.points() / window.flip,
        sure,
        note,
    )


def _teardrops(pixels: NDArray[np.float32], film: CoarseFilm, found: list[Proposal]) -> list[Proposal]:
    """Both teardrops, or none; where a head was found, near it."""
    window = Window(pixels, film.mm_per_px, 0.0)
    heads = {
        one.side: one.points_px.mean(axis=0) * window.flip
        for one in found
        if one.landmark == "head_edge" and one.confidence > _SURE_HEAD
    }
    proposals = []
    for side, drop in fitted_drops(window, heads).items():
        place = (drop.place / window.flip)[None]
        proposals.append(Proposal("teardrop", side, place, place, *drop_confidence(drop)))
    return proposals


def _of_bone(pixels: NDArray[np.float32], film: CoarseFilm, side: str) -> list[Proposal]:
    """The shaft of one side."""
    low, high = np.percentile(pixels[::8, ::8], [0.5, 99.8])
    window = Window(pixels, film.mm_per_px, max(_BONE_DROP * float(high - low), 1e-9))
    width = film.grey.shape[1]
    near, far = width // 2 + round(_FROM_MIDDLE_MM / COARSE_MM), width - 2
    columns = (near, far) if side == "left" else (width - far, width - near)
    shaft = fitted_shaft(film, window, columns)
    if shaft is None:
        return []
    sure, note = shaft_confidence(shaft)
    ends = shaft.ends / window.flip
    return [Proposal("shaft_axis", side, ends, ends, sure, note)]
