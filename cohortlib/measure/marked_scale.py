"""The scale of a film from marks on an implant of known size."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.measure.marked_head import marked_head
from cohortlib.measure.scale import HEAD_AS_MARKED, FilmScale
from cohortlib.measure.teardrops import CLICK_SD_MM

Array = NDArray[np.float64]
#: A click in millimetres of the patient: the detector's, less the usual magnification of 1.15.
CLICK_IN_PATIENT_SD_MM = CLICK_SD_MM / 1.15
#: A scale less certain than this gives no lengths.
MOST_RELATIVE_SD = 0.10
#: Spread of the opening of a cup over its outer diameter: the rim may be recessed.
_OPENING_SD = 0.04
#: Where the size of the cup is not on its label, it is about this times the head's, give or take.
_CUP_OVER_HEAD, _CUP_OVER_HEAD_SD = 1.15, 0.15
#: How far the middle between the ends of the opening may lie from the head's centre [mm].
_CENTRE_SD_MM = 4.0


class Opening(NamedTuple):
    """What the marked ends of a cup's opening say of its head: radius and centre, each with its sd."""

    head_radius: tuple[float, float]
    head_centre: tuple[Array, float]


def opening_of(
    cup_rim: Array, head_diameter_mm: float, cup_diameter_mm: float | None, *, mm_per_unit: float | None
) -> Opening:
    """Radius and centre of the head by the two marks on the rim that lie farthest apart.

    Parameters
    ----------
    cup_rim : (n, 2)
        Marks, among them both ends of the opening.
    head_diameter_mm, cup_diameter_mm
        Labelled; None if the cup's is not known.
    mm_per_unit
        Millimetres for one unit of the marks; None: as the cup's size has it.
    """
    apart = np.linalg.norm(cup_rim[:, None] - cup_rim[None], axis=2)
    first, last = np.unravel_index(int(np.argmax(apart)), apart.shape)
    length = float(apart[first, last])
    cup = _CUP_OVER_HEAD * head_diameter_mm if cup_diameter_mm is None else cup_diameter_mm
    unit = cup / length if mm_per_unit is None else mm_per_unit
    spread = _CUP_OVER_HEAD_SD if cup_diameter_mm is None else _OPENING_SD
    relative = float(np.hypot(spread, np.sqrt(2.0) * CLICK_IN_PATIENT_SD_MM / cup))
    radius = length * head_diameter_mm / cup / 2.0
    middle = (cup_rim[first] + cup_rim[last]) / 2.0
    return Opening((radius, relative * radius), (middle, _CENTRE_SD_MM / unit))


def marked_scale(
    head_edge: Array, cup_rim: Array | None, *, head_diameter_mm: float, cup_diameter_mm: float | None
) -> FilmScale:
    """Millimetres for a pixel by which head and cup as marked have their labelled size; square pixels.

    Parameters
    ----------
    head_edge, cup_rim : (n, 2)
        Marks [px]; None if the rim is not marked.
    head_diameter_mm, cup_diameter_mm
        Labelled; None if the cup's is not known.

    Notes
    -----
    The circle through the marks on the head, held by the opening of the cup: its length gives the size to
    about 5 %, its middle the place to 4 mm.
    """
    if cup_rim is None:
        free = marked_head(head_edge, click_sd=1.0)
        mm_per_px = head_diameter_mm / (2.0 * free.radius)
        relative = free.radius_sd * CLICK_IN_PATIENT_SD_MM / (free.radius * mm_per_px)
        return FilmScale(mm_per_px, mm_per_px, relative, HEAD_AS_MARKED)
    opening = opening_of(cup_rim, head_diameter_mm, cup_diameter_mm, mm_per_unit=None)
    guess = head_diameter_mm / (2.0 * opening.head_radius[0])
    head = marked_head(
        head_edge,
        click_sd=CLICK_IN_PATIENT_SD_MM / guess,
        expected_radius=opening.head_radius,
        expected_centre=opening.head_centre,
    )
    mm_per_px = head_diameter_mm / (2.0 * head.radius)
    return FilmScale(mm_per_px, mm_per_px, head.radius_sd / head.radius, HEAD_AS_MARKED)
