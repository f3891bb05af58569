"""A film at the fineness it is searched at: neither its finest pixels nor their noise help a proposal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from cohortlib.image import Radiograph
from cohortlib.measure.proposals.coarse import working_spacing
from cohortlib.measure.proposals.proposal import Array, Proposal

#: Pixels are joined as long as they do not get larger than this [mm]; edges of metal are told from others by
#: their fall over so much.
WORKING_MM = 0.3


def working_film(radiograph: Radiograph) -> tuple[Radiograph, int]:
    """The film with each square of pixels joined to one, and how many pixels wide a square is."""
    # A little above the wanted size still counts as it: spacings are rounded in headers.
    size = max(1, int(1.05 * WORKING_MM / max(working_spacing(radiograph))))
    if size == 1:
        return radiograph, 1
    rows, columns = (length // size for length in radiograph.pixels.shape)
    blocks = radiograph.pixels[: rows * size, : columns * size].reshape(rows, size, columns, size)
    spacing, beam = radiograph.spacing_mm, radiograph.beam_centre_px
    joined = replace(
        radiograph,
        pixels=blocks.mean(axis=(1, 3), dtype=np.float32),
        spacing_mm=None if spacing is None else (spacing[0] * size, spacing[1] * size),
        beam_centre_px=None if beam is None else ((beam[0] + 0.5) / size - 0.5, (beam[1] + 0.5) / size - 0.5),
    )
    return joined, size


def in_own_pixels(proposal: Proposal, size: int) -> Proposal:
    """A proposal of the working film, in pixels of the film itself."""

    def own(places: Array) -> Array:
        return (places + 0.5) * size - 0.5

    return replace(proposal, points_px=own(proposal.points_px), outline_px=own(proposal.outline_px))
