"""Gradings of zones as rows of hips, in the columns that agreement is computed from."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_columns, check_unique
from cohortlib.tables import MEASUREMENT_COLUMNS


def hip_gradings(gradings: pd.DataFrame, images: pd.DataFrame, hips: pd.DataFrame) -> pd.DataFrame:
    """Each grading with the hip, patient and visit it belongs to.

    Parameters
    ----------
    gradings
        image_id, reader_id, repeat, side, zone_system, zone, state.
    images
        image_id, patient_id, visit_id.
    hips
        hip_id, patient_id, side.

    Returns
    -------
    DataFrame
        One row a grading, in its order: `tables.MEASUREMENT_COLUMNS`, quantity "radiolucent line, " and the
        zone system, value the state, unit "", sd and method empty.

    Raises
    ------
    StudyError
        If a column is missing, an image or a hip comes twice, or a grading has no image or no study hip.
    """
    check_columns(gradings, ["image_id", "reader_id", "repeat", "side", "zone_system", "zone", "state"])
    check_columns(images, ["image_id", "patient_id", "visit_id"])
    check_columns(hips, ["hip_id", "patient_id", "side"])
    check_unique(images, ["image_id"], remedy="Keep each image once")
    check_unique(hips, ["patient_id", "side"], remedy="Keep each hip once")
    rows = gradings.merge(images[["image_id", "patient_id", "visit_id"]], on="image_id", how="left")
    rows = rows.merge(hips[["hip_id", "patient_id", "side"]], on=["patient_id", "side"], how="left")
    lost = rows["hip_id"].isna()
    if lost.any():
        first = rows[lost].iloc[0]
        raise study_error(
            column="image_id, side",
            found=f"{first['image_id']}, {first['side']}",
            count=int(lost.sum()),
            expected="the image of a patient with a study hip on that side",
            remedy="Correct the image or the side, or leave out gradings of other hips",
        )
    rows = rows.assign(
        quantity="radiolucent line, " + rows["zone_system"].astype(str),
        value=rows["state"],
        unit="",
        sd=np.nan,
        method="",
        note="",
    )
    return rows[list(MEASUREMENT_COLUMNS)]
