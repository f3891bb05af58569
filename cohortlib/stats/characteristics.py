"""What patients are like at their first operation, worked out from the tables."""

from __future__ import annotations

import pandas as pd

from cohortlib.stats.inputs import check_columns, check_unique


def patient_characteristics(patients: pd.DataFrame, hips: pd.DataFrame) -> pd.DataFrame:
    """The patients with their age, body mass index and number of study hips.

    Parameters
    ----------
    patients
        patient_id, birth_year, height_cm, mass_kg.
    hips
        hip_id, patient_id, surgery_date.

    Returns
    -------
    DataFrame
        The rows of `patients` with three columns more: age_years (year of the first operation less the
        year of birth, so up to a year too high), bmi_kg_m2, n_study_hips. Missing where a part is.

    Raises
    ------
    StudyError
        If a column is missing or a patient comes twice.
    """
    check_columns(patients, ["patient_id", "birth_year", "height_cm", "mass_kg"])
    check_columns(hips, ["hip_id", "patient_id", "surgery_date"])
    check_unique(patients, ["patient_id"], remedy="Keep each patient once")
    check_unique(hips, ["hip_id"], remedy="Keep each hip once")
    of_patient = hips.groupby("patient_id")
    first = patients["patient_id"].map(of_patient["surgery_date"].min())
    height_m = patients["height_cm"] / 100
    return patients.assign(
        age_years=(first.dt.year - patients["birth_year"]).astype("Float64"),
        bmi_kg_m2=patients["mass_kg"] / height_m**2,
        n_study_hips=patients["patient_id"].map(of_patient.size()).fillna(0).astype("int64"),
    )
