"""What a reader's clicks say by themselves, before any pixel is looked at: a measure of the hand."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.image import Radiograph
from cohortlib.measure.cup.rim import lateral_sign
from cohortlib.measure.rows import check_columns
from cohortlib.tables import MEASUREMENT_COLUMNS, Study

Array = NDArray[np.float64]
CLICK_COLUMNS = ("side", "quantity", "value", "unit", "note")
_METHOD = "clicks alone"
_READING = ["image_id", "reader_id", "repeat"]


def measurements_by_clicks(study: Study, radiographs: Mapping[str, Radiograph]) -> pd.DataFrame:
    """What the clicks of every reading say of each study hip on its film.

    Parameters
    ----------
    study
        Its landmarks, images and hips are used.
    radiographs
        The film of every image_id with marks; its spacing gives the millimetres.

    Returns
    -------
    DataFrame
        The columns of `MEASUREMENT_COLUMNS`; quantities as in `clicks_alone`. The distance of the teardrops
        belongs to the film and stands with each study hip on it. There is no sd: clicks do not tell it.

    Raises
    ------
    StudyError
        If a marked image has no film here, or a film has no spacing.
    """
    absent = sorted(set(study.landmarks["image_id"]) - set(radiographs))
    if absent:
        raise study_error(
            file="radiographs",
            column="image_id",
            found=absent[0],
            count=len(absent),
            expected="a film for every marked image",
            remedy="Give its film, or leave its marks out",
        )
    parts = []
    for whose, marks in study.landmarks.groupby(_READING):
        reading: dict[str, Any] = dict(zip(_READING, whose, strict=True))
        parts.append(clicks_alone(marks, radiographs[reading["image_id"]]).assign(**reading))
    if not parts:
        return pd.DataFrame(columns=list(MEASUREMENT_COLUMNS))
    hips = study.images[["image_id", "patient_id", "visit_id"]].merge(
        study.hips[["hip_id", "patient_id", "side"]], on="patient_id"
    )
    rows = pd.concat(parts, ignore_index=True).merge(hips, on="image_id", suffixes=("_marked", ""))
    rows = rows[rows["side_marked"].isin(["both"]) | rows["side_marked"].eq(rows["side"])]
    rows = rows.assign(zone="", sd=np.nan, method=_METHOD)
    return rows[list(MEASUREMENT_COLUMNS)].reset_index(drop=True)


def clicks_alone(marks: pd.DataFrame, radiograph: Radiograph) -> pd.DataFrame:
    """How far apart the teardrops were marked, and how steep the marked ends of each cup's rim stand.

    Parameters
    ----------
    marks
        One reading of one film: landmark, side, x_px, y_px.
    radiograph
        The film; its spacing gives the millimetres.

    Returns
    -------
    DataFrame
        side, quantity, value, unit, note. One row of "teardrop distance" [mm on the film], side "both", and
        for each side with a mark of the rim one of "inclination by clicks" [deg]. An empty value has a note
        that says which marks it lacks.

    Raises
    ------
    StudyError
        If a column is missing or the film has no spacing.

    Notes
    -----
    The angle is that of the line through the two rim marks furthest apart with the line of the teardrops. It
    rests on four clicks and knows nothing of the beam's cone: on the films of the demonstration study even
    perfect clicks come out 0.6° steeper than the cup is (mean of 33; 0.0° to 1.4°). `measure_study` takes
    clicks only for where to look and follows the edge in the pixels; this shows what reading by hand alone
    would be worth.
    """
    check_columns(marks, ("landmark", "side", "x_px", "y_px"), name="marks")
    line, note = _teardrop_line(marks, radiograph)
    rows = [("both", "teardrop distance", float(np.hypot(*line)), "mm", note)]
    for side in ("right", "left"):
        rim = _places(marks, radiograph, "cup_rim", side)
        if len(rim):
            few = "" if len(rim) > 1 else "one mark of the rim: its other end is not marked"
            one, other = opening_ends(rim)
            slope = lateral_sign(side) * (_slope(other - one) - _slope(line)) % 180.0
            rows.append((side, "inclination by clicks", float(slope), "deg", few or note))
    return pd.DataFrame(rows, columns=list(CLICK_COLUMNS))


def opening_ends(places: Array) -> Array:
    """The two marks of a rim that are furthest apart (2, 2), the first marked first; no numbers from one.

    Parameters
    ----------
    places : (n, 2)
        Marks of one rim, in any unit.
    """
    marks = np.asarray(places, dtype=float).reshape(-1, 2)
    if len(marks) < 2:
        return np.full((2, 2), np.nan)
    apart = np.linalg.norm(marks[:, None] - marks[None], axis=2)
    return marks[list(np.unravel_index(int(apart.argmax()), apart.shape))]


def _places(marks: pd.DataFrame, radiograph: Radiograph, landmark: str, side: str) -> Array:
    own = marks[(marks["landmark"] == landmark) & (marks["side"] == side)]
    return radiograph.mm(own[["x_px", "y_px"]].to_numpy(dtype=float))


def _teardrop_line(marks: pd.DataFrame, radiograph: Radiograph) -> tuple[Array, str]:
    """From the right teardrop to the left [mm], or no numbers and why."""
    drops = {side: _places(marks, radiograph, "teardrop", side) for side in ("left", "right")}
    wrong = [f"{side} teardrop marked {len(found)} times" for side, found in drops.items() if len(found) != 1]
    if wrong:
        return np.full(2, np.nan), "; ".join(wrong) + ", not once"
    return drops["left"][0] - drops["right"][0], ""


def _slope(step: Array) -> float:
    return float(np.degrees(np.arctan2(step[1], step[0])))
