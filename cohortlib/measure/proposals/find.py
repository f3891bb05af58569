"""Proposals for a whole film: every shape that can be found on it without a reader."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.circle import Circle
from cohortlib.image import Radiograph
from cohortlib.measure.proposals.ball import Window
from cohortlib.measure.proposals.coarse import COARSE_MM, CoarseFilm, working_spacing
from cohortlib.measure.proposals.confidence import drop_confidence, shaft_confidence
from cohortlib.measure.proposals.drops import fitted_drops
from cohortlib.measure.proposals.implant import found_implant
from cohortlib.measure.proposals.proposal import SIDES, Proposal, credible, not_proposed
from cohortlib.measure.proposals.shaft import fitted_shaft
from cohortlib.measure.proposals.upright import upright_film
from cohortlib.measure.proposals.working import in_own_pixels, working_film

_TURNED = "the film is inverted against its header"
#: A film smaller than this shows no pelvis, and no detector is as large as that.
_LEAST_MM, _LEAST_PX, _MOST_MM = 100.0, 100, 2000.0
#: A shaft lies at least this far from the middle of the film [mm], and its edge falls by at least this
#: share of the film's range per pixel.
_FROM_MIDDLE_MM, _BONE_DROP = 45.0, 0.003


def component_proposals(radiograph: Radiograph) -> list[Proposal]:
    """Head circle, rim, teardrop, stem axis and shaft axis of each hip on a film, as far as they are found.

    Parameters
    ----------
    radiograph
        A film of the pelvis, front to back, hung the usual way. One whose header is wrong about its polarity
        is inverted first; one without spacing is searched at the scale its width suggests.

    Returns
    -------
    list of Proposal
        In pixels of the film, the patient's right side first: shaft and teardrop of both sides, and head,
        rim and stem where round metal is seen. A shape that is not credible has no points, a confidence of 0
        and in its note the reason. A proposal is never a reading, and where none is made there may be a
        shape all the same.

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
    size_px = np.array(radiograph.pixels.shape[::-1])
    size_mm = size_px * working_spacing(radiograph)
    if size_mm.min() < _LEAST_MM or size_mm.max() > _MOST_MM or size_px.min() < _LEAST_PX:
        return []
    radiograph, size = working_film(radiograph)
    film, rounds, turned = upright_film(radiograph)
    if turned:
        radiograph = replace(radiograph, pixels=np.float32(radiograph.pixels.max()) - radiograph.pixels)
    found: list[Proposal] = []
    domes: dict[str, Circle] = {}
    for side, sign in SIDES.items():
        implant = found_implant(radiograph, film, rounds, side, sign)
        if implant is not None:
            found += implant.shapes
            if implant.shapes[0].found:
                domes[side] = implant.dome
        found.append(_shaft(radiograph.pixels, film, side))
    found += _teardrops(Window(radiograph.pixels, film.mm_per_px, 0.0), domes)
    if turned:
        found = [replace(one, note="; ".join(filter(None, (one.note, _TURNED)))) for one in found]
    return [in_own_pixels(one, size) for one in found]


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


def _teardrops(window: Window, domes: dict[str, Circle]) -> list[Proposal]:
    """Both teardrops; where an implant was found, near it."""
    drops = fitted_drops(window, domes)
    proposals = []
    for side in SIDES:
        if side not in drops:
            proposals.append(not_proposed("teardrop", side, "no two teardrops are seen"))
            continue
        place = (drops[side].place / window.flip)[None]
        proposals.append(credible("teardrop", side, place, place, *drop_confidence(drops[side])))
    return proposals


def _shaft(pixels: NDArray[np.float32], film: CoarseFilm, side: str) -> Proposal:
    """The shaft of one side."""
    window = Window(pixels, film.mm_per_px, _BONE_DROP * film.spread)
    width = film.grey.shape[1]
    near, far = width // 2 + round(_FROM_MIDDLE_MM / COARSE_MM), width - 2
    columns = (near, far) if side == "left" else (width - far, width - near)
    shaft = fitted_shaft(film, window, columns)
    if shaft is None:
        return not_proposed("shaft_axis", side, "no two edges of a shaft are seen low on the film")
    ends = shaft.ends / window.flip
    return credible("shaft_axis", side, ends, ends, *shaft_confidence(shaft))
