"""Dates of the tables moved like those of the images, so that both stay on one time line."""

from __future__ import annotations

import os

import pandas as pd

from cohortlib.dicom.deidentification.key import read_key
from cohortlib.errors import study_error


def moved_dates(
    dates: pd.Series,
    patient_ids: pd.Series,
    *,
    key: str | os.PathLike[str],
    study_folder: str | os.PathLike[str],
) -> pd.Series:
    """Dates moved by each patient's secret number of days; a missing date stays missing.

    Parameters
    ----------
    dates : Series of datetime64
        Such as the visits' `date` or the hips' `surgery_date`, as the hospital has them.
    patient_ids : Series
        The study's `patient_id` of each, with the same index.
    key, study_folder
        As for `write_deidentified`.

    Raises
    ------
    StudyError
        If the key does not know a patient.

    Notes
    -----
    Images that `write_deidentified` wrote belong to tables whose dates were moved with the same key; with
    the hospital's own dates beside them neither the dates nor the visits fit. Moving a year of birth in
    the same way keeps the ages.
    """
    days_of = dict(read_key(key, study_folder=study_folder).patients.values())
    days = patient_ids.map(days_of)
    unknown = patient_ids[days.isna()]
    if len(unknown):
        raise study_error(
            file="key",
            column="patient_id",
            found=str(unknown.iloc[0]),
            count=len(unknown),
            expected="patients of the key",
            remedy="Add the patients with write_key",
        )
    return dates + pd.to_timedelta(days.astype("int64"), unit="D")
