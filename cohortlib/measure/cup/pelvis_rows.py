"""Measured cups against the pelvis, each with what tilt and rotation leave uncertain."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem
from cohortlib.geometry.propagation import propagated_sd
from cohortlib.measure.cup.pelvis import cup_orientation_in_pelvis
from cohortlib.measure.rows import check_measurements
from cohortlib.tables import MEASUREMENT_COLUMNS

#: What a correction takes from the rows of one reading, and what it gives.
TAKEN = ("inclination", "anteversion", "pelvic_tilt", "pelvic_rotation")
GIVEN = ("inclination_in_pelvis", "anteversion_in_pelvis")
_READING = ["hip_id", "patient_id", "visit_id", "image_id", "reader_id", "repeat", "zone"]


def orientation_in_pelvis(measurements: pd.DataFrame) -> pd.DataFrame:
    """Every measured cup against the anterior pelvic plane, by tilt and rotation read off the same film.

    Parameters
    ----------
    measurements
        The columns of `MEASUREMENT_COLUMNS`, with inclination, anteversion (both radiographic, corrected for
        the beam), pelvic_tilt and pelvic_rotation of the same readings.

    Returns
    -------
    DataFrame
        The columns of `MEASUREMENT_COLUMNS`: inclination_in_pelvis and anteversion_in_pelvis, one row each a
        reading that has a cup. Without one of the four values there is none, and the note says which.

    Raises
    ------
    StudyError
        If a column is missing, an angle of the cup is not radiographic, or a reading has two rows of one.

    Notes
    -----
    `cup.pelvis.cup_orientation_in_pelvis`; errors of the four angles taken as independent, carried over to
    first order. Tilt estimated from one film errs by about 6 degrees, so that the corrected anteversion of
    one film is *less* certain than the plain one; between two films of a patient most of that error is the
    same and drops out.
    """
    check_measurements(measurements)
    rows = measurements[measurements["quantity"].isin(TAKEN)]
    _check(rows)
    found = []
    for ids, reading in rows.groupby(_READING, sort=False, dropna=False):
        by_name = {str(row["quantity"]): row for row in reading.to_dict("records")}
        if not {"inclination", "anteversion"} & set(by_name):
            continue
        lacking = [name for name in TAKEN if name not in by_name or pd.isna(by_name[name]["value"])]
        values, sds = (np.nan, np.nan), (np.nan, np.nan)
        note = "no value of " + ", ".join(lacking)
        if not lacking:
            values, sds = _corrected(by_name)
            note = "tilt and rotation are estimates; compare changes rather than values"
        for name, value, sd in zip(GIVEN, values, sds, strict=True):
            method = "radiographic, to the anterior pelvic plane; " + _methods(by_name)
            found.append([*ids, name, value, "deg", sd, method, note])
    columns = [*_READING, "quantity", "value", "unit", "sd", "method", "note"]
    table = pd.DataFrame(found, columns=columns)[list(MEASUREMENT_COLUMNS)]
    return table.astype({name: measurements[name].dtype for name in MEASUREMENT_COLUMNS})


def _corrected(by_name: dict[str, dict[Any, Any]]) -> tuple[tuple[float, float], tuple[float, float]]:
    places = {name: float(by_name[name]["value"]) for name in TAKEN}
    covariances = {name: [[float(by_name[name]["sd"]) ** 2]] for name in TAKEN}

    def angle(k: int, **angles: Any) -> float:
        turned = cup_orientation_in_pelvis(
            angles["inclination"],
            angles["anteversion"],
            tilt_deg=angles["pelvic_tilt"],
            rotation_deg=angles["pelvic_rotation"],
        )
        return float(np.asarray(turned[k]).item())

    values, sds = [], []
    for k in (0, 1):
        values.append(angle(k, **places))
        sds.append(propagated_sd(lambda k=k, **angles: angle(k, **angles), places, covariances))
    return (values[0], values[1]), (sds[0], sds[1])


def _methods(by_name: dict[str, dict[Any, Any]]) -> str:
    """How cup and pelvis were measured, each once."""
    methods = [str(by_name[name]["method"]) for name in TAKEN if name in by_name]
    return "; ".join(dict.fromkeys(methods))


def _check(rows: pd.DataFrame) -> None:
    cups = rows["quantity"].isin(TAKEN[:2]) & rows["value"].notna()
    other = cups & ~rows["method"].astype(str).str.startswith("radiographic")
    twice = rows.duplicated([*_READING, "quantity"])
    problems = [
        problem(
            file="measurements",
            column=column,
            found=str(rows.loc[wrong, column].iloc[0]),
            count=int(wrong.sum()),
            expected=expected,
            remedy=remedy,
        )
        for wrong, column, expected, remedy in (
            (other, "method", "a method that begins with radiographic", "Give radiographic angles only"),
            (twice, "quantity", "one value a reading", "Keep one method: methods are not mixed"),
        )
        if wrong.any()
    ]
    if problems:
        raise StudyError(problems)
