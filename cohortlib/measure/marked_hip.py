"""One hip in one reading of one film: its marks in millimetres, lateral and upwards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.measure.cup.rim import lateral_sign
from cohortlib.measure.marked_head import MarkedHead, marked_head
from cohortlib.measure.marked_scale import CLICK_IN_PATIENT_SD_MM, MOST_RELATIVE_SD, marked_scale, opening_of
from cohortlib.measure.scale import HEAD_AS_MARKED, FilmScale

Array = NDArray[np.float64]
#: How many marks a landmark takes on one side.
COUNTS = {
    "teardrop": (1, 1),
    "head_edge": (3, 99),
    "cup_rim": (2, 99),
    "stem_axis": (2, 99),
    "stem_tip": (1, 1),
    "stem_shoulder": (1, 1),
    "shaft_axis": (2, 99),
    "lesser_trochanter": (1, 1),
    "greater_trochanter_tip": (1, 1),
    "neck_edge": (2, 2),
    "notch_edge": (2, 2),
    "notch_floor": (1, 1),
    "symphysis_top": (1, 1),
    "sacrococcygeal_joint": (1, 1),
}
#: Landmarks of the middle: one mark a film, whatever side it bears.
OF_THE_MIDDLE = ("symphysis_top", "sacrococcygeal_joint")
#: Without any scale, errors of angles are judged by the teardrops' usual distance (from memory).
_USUAL_TEARDROP_DISTANCE_MM = 110.0


@dataclass(frozen=True, eq=False)
class MarkedHip:
    """Marks of one reading about one hip.

    Attributes
    ----------
    places
        Landmark → (n, 2): lateral and upwards on the film, about an origin of no meaning; "_other" behind a
        name is that of the other side. Millimetres of the patient where `scale` is known, else a guess
        that is good for angles and ratios only.
    wrong
        Landmark → what is wrong with its marks.
    head
        The head's circle, or None.
    scale
        Where the millimetres come from, or None.
    click_sd_mm
        Standard deviation of one click along each axis.
    """

    places: Mapping[str, Array]
    wrong: Mapping[str, str]
    head: MarkedHead | None
    scale: FilmScale | None
    click_sd_mm: float


def marked_hip(
    marks: pd.DataFrame,
    *,
    side: str,
    head_diameter_mm: float | None,
    cup_diameter_mm: float | None,
    scale: FilmScale | None,
) -> MarkedHip:
    """The marks of one reading as places about one hip.

    Parameters
    ----------
    marks
        One reading: landmark, side, x_px, y_px.
    side
        "left" or "right", of the patient.
    head_diameter_mm
        Labelled diameter of the head, or None before the operation.
    cup_diameter_mm
        Labelled outer diameter of the cup, or None if it is not known.
    scale
        Of the film, or None: then head and cup as marked give it, with square pixels, if marked well.

    Raises
    ------
    StudyError
        For an unknown side.
    """
    sign = lateral_sign(side)
    found, wrong = _by_name(marks, side)
    guess = scale
    if guess is None and head_diameter_mm is not None and "head_edge" in found:
        guess = marked_scale(
            found["head_edge"],
            found.get("cup_rim"),
            head_diameter_mm=head_diameter_mm,
            cup_diameter_mm=cup_diameter_mm,
        )
        scale = guess if guess.relative_sd <= MOST_RELATIVE_SD else None
    if guess is None:
        own, other = found.get("teardrop"), found.get("teardrop_other")
        apart = np.nan if own is None or other is None else float(np.linalg.norm(own - other))
        mm_per_px = _USUAL_TEARDROP_DISTANCE_MM / apart if apart > 0 else 0.26
        guess = FilmScale(mm_per_px, mm_per_px, np.inf, "")
    to_mm = np.array([sign * guess.x_mm_per_px, -guess.y_mm_per_px])
    places = {name: places * to_mm for name, places in found.items()}
    head = _head(places, head_diameter_mm, cup_diameter_mm, guess)
    return MarkedHip(places, wrong, head, scale, CLICK_IN_PATIENT_SD_MM)


def _head(
    places: Mapping[str, Array],
    head_diameter_mm: float | None,
    cup_diameter_mm: float | None,
    scale: FilmScale,
) -> MarkedHead | None:
    """The head in millimetres; where the scale is known from elsewhere, so is its size."""
    if "head_edge" not in places:
        return None
    radius = centre = None
    if head_diameter_mm is not None and "cup_rim" in places:
        opening = opening_of(places["cup_rim"], head_diameter_mm, cup_diameter_mm, mm_per_unit=1.0)
        radius, centre = opening.head_radius, opening.head_centre
    if head_diameter_mm is not None and scale.source not in (HEAD_AS_MARKED, ""):
        radius = (head_diameter_mm / 2.0, max(scale.relative_sd, 1e-4) * head_diameter_mm / 2.0)
    return marked_head(
        places["head_edge"], click_sd=CLICK_IN_PATIENT_SD_MM, expected_radius=radius, expected_centre=centre
    )


def _by_name(marks: pd.DataFrame, side: str) -> tuple[dict[str, Array], dict[str, str]]:
    """Pixel places by landmark, and what is wrong with those that do not have the right number of marks."""
    found: dict[str, Array] = {}
    wrong: dict[str, str] = {}
    for name, (least, most) in COUNTS.items():
        rows = marks[marks["landmark"] == name]
        groups = {"": rows[rows["side"] == side], "_other": rows[rows["side"] != side]}
        if name in OF_THE_MIDDLE:
            groups = {"": rows}
        for ending, group in groups.items():
            if group.empty:
                continue
            places = group[["x_px", "y_px"]].to_numpy(dtype=float)
            distinct = len(np.unique(places, axis=0))
            if not least <= len(places) <= most or distinct < least or not np.isfinite(places).all():
                need = str(least) if least == most else f"at least {least}"
                wrong[name + ending] = (
                    f"{name}: {len(places)} marked, {distinct} of them apart; {need} needed"
                )
            elif name == "head_edge" and not _spread(places):
                wrong[name + ending] = f"{name}: {len(places)} marked, all on one line"
            else:
                found[name + ending] = places
    return found, wrong


def _spread(places: Array) -> bool:
    """Whether points lie off one straight line."""
    sizes = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    return bool(sizes[-1] > 1e-3 * sizes[0])
