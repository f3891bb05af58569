"""The cups of one visit and reader, one row a hip, in the definition of the angles that is asked for."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.figures.cup import cup_points
from cohortlib.measure.cup import cup_orientation
from cohortlib.tables import Study

Array = NDArray[np.float64]

#: By what the hips may be coloured, and how that is called.
GROUPINGS = {"arm": "study arm", "surgeon_id": "surgeon", "sex": "sex"}
#: The definition that is measured; the others are converted from it.
MEASURED = "radiographic"
_NOT_RECORDED = "not recorded"
_STEP_DEG = 0.01


def cup_choice(
    study: Study,
    measurements: pd.DataFrame,
    *,
    visit_id: str,
    reader_id: str,
    by: str,
    definition: str,
) -> pd.DataFrame:
    """One row a hip that the reader read at the visit: both angles with their sd, and the hip's group.

    Parameters
    ----------
    study
        For arm, surgeon and sex.
    measurements
        From `measure_study`: radiographic angles.
    visit_id, reader_id
        Which reading; the first one (repeat 1) of each hip is taken.
    by
        "arm", "surgeon_id" or "sex".
    definition
        "radiographic", "operative" or "anatomical".

    Returns
    -------
    DataFrame
        hip_id, patient_id, image_id, the group, inclination, inclination_sd, anteversion,
        anteversion_sd [deg] in the definition. A value that the film did not allow is missing; in a
        definition other than the measured one, both are missing then.

    Raises
    ------
    StudyError
        If there is no such reading, a hip was read on two films of the visit, or `by` or `definition`
        is not one of those named.

    Notes
    -----
    The standard deviations are carried over to first order, the two errors taken as independent, as a
    measurement row does not hold their correlation.
    """
    if by not in GROUPINGS:
        raise study_error(
            column="by", found=by, expected="one of " + ", ".join(GROUPINGS), remedy="Choose one of these"
        )
    first = measurements[measurements["repeat"] == 1]
    rows = first[(first["visit_id"] == visit_id) & (first["reader_id"] == reader_id)]
    if rows.empty:
        labels = study.schedule.set_index("visit_id")["label"]
        read = first[["visit_id", "reader_id"]].drop_duplicates().itertuples(index=False)
        known = [f"{reader} at {labels.get(visit, visit)}" for visit, reader in read]
        raise study_error(
            file="measurements",
            column="visit_id, reader_id",
            found=f"no film of the visit '{labels.get(visit_id, visit_id)}' read by '{reader_id}'",
            expected=f"one of {', '.join(sorted(known))}" if known else "measurements of the study's films",
            remedy="Choose another visit or reader",
        )
    # From the left: a row whose hip the study does not know is refused when drawn, not dropped.
    whose = rows.merge(
        study.hips[["hip_id", "arm", "surgeon_id"]], on="hip_id", how="left", validate="many_to_one"
    ).merge(study.patients[["patient_id", "sex"]], on="patient_id", how="left", validate="many_to_one")
    points = cup_points(whose.assign(surgeon_id=whose["surgeon_id"].fillna(_NOT_RECORDED)), by=by)
    return points if definition == MEASURED else _converted(points, definition)


def group_names(study: Study, by: str) -> dict[str, str]:
    """Every group of the study and what it is called, in an order that no choice changes."""
    if by == "arm":
        return dict(zip(study.arms["arm"], study.arms["label"], strict=True))
    if by == "sex":
        return {"female": "Female", "male": "Male"}
    values = study.hips["surgeon_id"]
    known = {value: f"Surgeon {value}" for value in sorted(values.dropna().unique())}
    return known | ({_NOT_RECORDED: "Surgeon not recorded"} if values.isna().any() else {})


def _converted(points: pd.DataFrame, definition: str) -> pd.DataFrame:
    given = points[["inclination", "anteversion"]].to_numpy(dtype=float).T
    sd = points[["inclination_sd", "anteversion_sd"]].to_numpy(dtype=float).T

    def angles(moved: Array) -> Array:
        return np.stack(cup_orientation(*moved, given=MEASURED, wanted=definition))

    steps = _STEP_DEG * np.eye(2)[:, :, None]
    slopes = np.stack([(angles(given + step) - angles(given - step)) / (2 * _STEP_DEG) for step in steps])
    spread = np.sqrt((slopes**2 * sd[:, None, :] ** 2).sum(axis=0))
    inclination, anteversion = angles(given)
    return points.assign(
        inclination=inclination,
        inclination_sd=spread[0],
        anteversion=anteversion,
        anteversion_sd=spread[1],
    )
