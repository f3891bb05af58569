"""Measurements that readers' marks alone allow: every radiograph, every study hip, every reading."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError
from cohortlib.geometry.propagation import independent_covariance, propagated_sd
from cohortlib.measure.marked_hip import OF_THE_MIDDLE, MarkedHip, marked_hip
from cohortlib.measure.marked_quantities import (
    HEAD_CENTRE,
    HEAD_DIAMETER,
    MARKED_QUANTITIES,
    MarkedQuantity,
)
from cohortlib.measure.pelvis import METHOD as PELVIS_METHOD
from cohortlib.measure.pelvis import pelvic_rotation, pelvic_tilt, symphysis_height
from cohortlib.measure.scale import FilmScale, scale_of, scales_by_hip
from cohortlib.quantities import QUANTITIES
from cohortlib.tables import MEASUREMENT_COLUMNS, Study

_DTYPES = {"repeat": "Int64", "value": "float64", "sd": "float64"}
NO_SCALE = "no scale: none is given, and no head of known size is marked well enough; angles and ratios only"
_ESTIMATE = "an estimate: not corrected for the beam; a change between films is better known than a value"
Row = list[Any]


def measurements_from_marks(study: Study, *, scales: pd.DataFrame | None = None) -> pd.DataFrame:
    """Everything that marks alone tell of the study's hips on their radiographs.

    Parameters
    ----------
    study
        From `read_study`: its landmarks, images, hips, patients and visits are used.
    scales
        Millimetres of a pixel, from the films themselves: the columns of `scale.SCALE_COLUMNS`, as
        `pipeline.scales.film_scales` gives them. None: head and cup as marked and their labelled diameters
        give the scale, with square pixels; that is good to a few percent only.

    Returns
    -------
    DataFrame
        The columns of `MEASUREMENT_COLUMNS`, in the order of the tables. A quantity of which a landmark was
        not marked has no row; one whose marks do not allow a value has a row without a value and the reason
        in `note`. Every length says in `method` where its scale comes from.

    Raises
    ------
    StudyError
        If `scales` is no table of scales.

    Notes
    -----
    Standard deviations carry an assumed error of a click, 1.5 mm along each axis on the detector, through
    each formula, and add the error of the scale to lengths, as if both were independent. They say nothing of
    what rotation of the femur, the beam or the definition change: published differences to computed
    tomography are larger (`femur.offset.FILM_AGAINST_CT_SD_MM`).

    Lengths are those in the depth of the hip's centre. A head found on a film by its edge is 0.7 to 1.2 % too
    small in stemmed hips of the demonstration study, because blur acts on exposure: lengths are too large by
    that part, and the standard deviation of such a scale holds it.
    """
    known = scales_by_hip(scales)
    sexes = study.patients.set_index("patient_id")["sex"].to_dict()
    rows = []
    for image, hip, operated, readings in _hips_on_films(study):
        scale = scale_of(known, image["image_id"], hip["side"])
        head = float(hip["head_diameter_mm"]) if operated else None
        cup = None if pd.isna(hip["cup_diameter_mm"]) else float(hip["cup_diameter_mm"])
        for (reader, repeat), marks in readings:
            own = marked_hip(marks, side=hip["side"], head_diameter_mm=head, cup_diameter_mm=cup, scale=scale)
            ids = [hip["hip_id"], image["patient_id"], image["visit_id"], image["image_id"], reader, repeat]
            rows += [[*ids, *values] for values in rows_of_marks(own, sex=sexes[image["patient_id"]])]
    table = pd.DataFrame(rows, columns=list(MEASUREMENT_COLUMNS))
    return table.astype({name: _DTYPES.get(name, "str") for name in MEASUREMENT_COLUMNS})


def _hips_on_films(study: Study) -> Iterator[tuple[dict[Any, Any], dict[Any, Any], bool, list[Any]]]:
    """Image, hip, whether it was operated on by then, and the readings of the image."""
    hips = dict(list(study.hips.groupby("patient_id", sort=False)))
    days = study.visits.set_index(["patient_id", "visit_id"])["date"].to_dict()
    marks = dict(list(study.landmarks.groupby("image_id", sort=False)))
    for image in study.images.to_dict("records"):
        if image["kind"] != "radiograph" or image["image_id"] not in marks:
            continue
        readings = list(marks[image["image_id"]].groupby(["reader_id", "repeat"]))
        day = days.get((image["patient_id"], image["visit_id"]))
        for hip in hips.get(image["patient_id"], study.hips.iloc[:0]).to_dict("records"):
            yield image, hip, day is None or hip["surgery_date"] <= day, readings


def rows_of_marks(hip: MarkedHip, *, sex: str) -> list[Row]:
    """Everything that the marks about one hip tell: rows quantity, zone, value, unit, sd, method, note."""
    return [*marked_rows(hip), *pelvis_rows(hip, sex=sex)]


def marked_rows(hip: MarkedHip) -> list[Row]:
    """Rows quantity, zone, value, unit, sd, method, note of one hip in one reading."""
    rows = []
    for one in MARKED_QUANTITIES:
        if one.quantity == "peg_depth" and "stem_shoulder" in {*hip.places, *hip.wrong}:
            continue
        names = ["head_edge" if name in (HEAD_CENTRE, HEAD_DIAMETER) else name for name in one.takes.values()]
        if not all(name in hip.places or name in hip.wrong for name in names):
            continue
        reasons = [hip.wrong[name] for name in names if name in hip.wrong]
        rows.append(_row(hip, one, "; ".join(reasons)))
    return rows


def _row(hip: MarkedHip, one: MarkedQuantity, reason: str) -> Row:
    unit = QUANTITIES[one.quantity].unit
    method = f"{one.method}; {_scale_in_words(hip.scale)}" if unit == "mm" else one.method
    if not reason and unit == "mm" and hip.scale is None:
        reason = NO_SCALE
    value = sd = np.nan
    if not reason:
        try:
            value, sd = _value(hip, one)
        except StudyError as error:
            reason = " ".join(str(error).split("\n"))
    if np.isfinite(value) and unit == "mm" and hip.scale is not None:
        sd = float(np.hypot(sd, value * hip.scale.relative_sd))
    return [one.quantity, "", value, unit, sd, method, reason]


def _value(hip: MarkedHip, one: MarkedQuantity) -> tuple[float, float]:
    """The number and what the clicks leave uncertain of it."""
    places: dict[str, Any] = {}
    covariances: dict[str, Any] = {}
    for argument, name in one.takes.items():
        if name == HEAD_CENTRE and hip.head is not None:
            places[argument], covariances[argument] = hip.head.centre, hip.head.covariance[:2, :2]
        elif name == HEAD_DIAMETER and hip.head is not None:
            places[argument] = 2.0 * hip.head.radius
            covariances[argument] = [[4.0 * hip.head.covariance[2, 2]]]
        else:
            single = hip.places[name]
            places[argument] = single[0] if len(single) == 1 else single
            covariances[argument] = independent_covariance(places[argument], hip.click_sd_mm)
    value = one.number(**places)
    return value, propagated_sd(one.number, places, covariances)


def pelvis_rows(hip: MarkedHip, *, sex: str) -> list[Row]:
    """Rows of tilt and rotation of the pelvis, as far as its middle was marked."""
    needed = (*OF_THE_MIDDLE, "teardrop", "teardrop_other")
    if not all(name in hip.places or name in hip.wrong for name in needed):
        return []
    reason = "; ".join(hip.wrong[name] for name in needed if name in hip.wrong)
    if not reason and hip.scale is None:
        reason = NO_SCALE
    method = f"{PELVIS_METHOD}; {_scale_in_words(hip.scale)}"
    if reason:
        return [
            [name, "", np.nan, "deg", np.nan, method, reason] for name in ("pelvic_tilt", "pelvic_rotation")
        ]
    names = ("symphysis_top", "sacrococcygeal_joint", "teardrop", "teardrop_other")
    places = {name: hip.places[name][0] for name in names}
    covariances = {name: independent_covariance(places[name], hip.click_sd_mm) for name in names}

    def tilt(**moved: Any) -> tuple[float, float]:
        return pelvic_tilt(symphysis_height(**moved)[0], sex=sex)

    def rotation(**moved: Any) -> tuple[float, float]:
        return pelvic_rotation(symphysis_height(**moved)[1])

    rows = []
    for name, angle in (("pelvic_tilt", tilt), ("pelvic_rotation", rotation)):
        value = sd = np.nan
        try:
            value, spread = angle(**places)
            clicks = propagated_sd(partial(_first, angle), places, covariances)
            sd, note = float(np.hypot(spread, clicks)), _ESTIMATE
        except StudyError as error:
            note = " ".join(str(error).split("\n"))
        rows.append([name, "", value, "deg", sd, method, note])
    return rows


def _first(function: Callable[..., tuple[float, float]], **places: Any) -> float:
    return function(**places)[0]


def _scale_in_words(scale: FilmScale | None) -> str:
    return "no scale" if scale is None else f"scale: {scale.source}"
