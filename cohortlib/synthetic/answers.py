"""Invented answers to a twelve-item hip score (0-48, high is good), from a latent score per visit.

The score belongs to the patient, not to a hip. Item wording is licensed and not needed: only numbers.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.synthetic.streams import random_stream

INSTRUMENT = "oxford_hip_score"
N_ITEMS, HIGHEST = 12, 4

#: (mean, SD, share of the SD that is the person's own) of the latent score at each visit [score points].
LATENT = {
    "before": (19.5, 8.5, 0.5),
    "week_6": (29.5, 7.5, 0.7),
    "month_6": (41.5, 9.0, 0.85),
    "month_12": (43.5, 9.0, 0.85),
    "month_24": (44.0, 9.0, 0.85),
}
#: True effects on the latent score at every visit after the operation.
ARM_EFFECT = 1.0  # resurfacing minus short stem [score points]
CUP_SLOPE = -0.15  # score points per degree between the cup and `BEST_CUP_DEG`
BEST_CUP_DEG = (42.0, 16.0)  # radiographic inclination and anteversion in the pelvis

ITEM_EASE = np.linspace(-0.45, 0.45, N_ITEMS)  # some items are easier: their answers are higher
ITEM_SD = 0.5
FORM_LOST, FEW_MISSING, MANY_MISSING = 0.02, 0.06, 0.025  # shares of the forms


def cup_distance_deg(hips: pd.DataFrame) -> pd.Series:
    """How far the true cup positions of a patient lie from `BEST_CUP_DEG`: the mean over the study hips.

    Parameters
    ----------
    hips
        From `hips.hip_table`.

    Returns
    -------
    Series
        Indexed by patient_id [deg].
    """
    inclination, anteversion = BEST_CUP_DEG
    distance = np.hypot(hips["inclination_deg"] - inclination, hips["anteversion_deg"] - anteversion)
    return pd.Series(distance).groupby(hips["patient_id"]).mean().rename("cup_distance_deg")


def latent_scores(
    patients: pd.DataFrame, hips: pd.DataFrame, visits: pd.DataFrame, *, seed: int
) -> pd.DataFrame:
    """What each patient would score at each visit without ceiling, floor and rounding.

    Parameters
    ----------
    patients, hips, visits
        From `cohort` and `hips`.

    Returns
    -------
    DataFrame
        patient_id, visit_id, latent_score [score points].

    Notes
    -----
    ``mean + SD (share person + sqrt(1 - share^2) day) + after x (ARM_EFFECT share_resurfacing +
    CUP_SLOPE distance)`` with `person` and `day` standard normal, `after` 1 behind the operation, and
    the effects centred on the cohort so that the means are those of `LATENT`. A patient with one hip
    of each design has half of the effect of the arm.
    """
    person = random_stream(seed, "person").normal(size=len(patients))
    surfaced = hips["arm"].eq("resurfacing").groupby(hips["patient_id"]).mean()
    effect = ARM_EFFECT * surfaced + CUP_SLOPE * cup_distance_deg(hips)
    effect_of_patient = (effect - effect.mean()).reindex(patients["patient_id"]).to_numpy()
    parts = []
    for visit, (mean, sd, share) in LATENT.items():
        day = random_stream(seed, "latent score", visit).normal(size=len(patients))
        score = mean + sd * (share * person + np.sqrt(1 - share**2) * day)
        score = score if visit == "before" else score + effect_of_patient
        parts.append(patients[["patient_id"]].assign(visit_id=visit, latent_score=score.round(2)))
    return visits[["patient_id", "visit_id"]].merge(pd.concat(parts), validate="one_to_one")


def answer_table(latent: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """Twelve answers for every form that came back; an item left out has an empty answer.

    Parameters
    ----------
    latent
        From `latent_scores`.

    Returns
    -------
    DataFrame
        patient_id, visit_id, instrument, item, answer (Int64).

    Notes
    -----
    ``answer = latent / 12 + ITEM_EASE + ITEM_SD noise``, rounded and held within 0 and 4. One form in
    fifty is lost (no rows); some lack one or two answers, a few lack three to six.
    """
    rows = zip(latent["patient_id"], latent["visit_id"], latent["latent_score"], strict=True)
    forms = [_form(patient_id, visit_id, score, seed) for patient_id, visit_id, score in rows]
    return pd.concat([form for form in forms if form is not None], ignore_index=True)


def _form(patient_id: str, visit_id: str, latent_score: float, seed: int) -> pd.DataFrame | None:
    noise = random_stream(seed, "answers", patient_id, visit_id).normal(size=N_ITEMS)
    answer = np.clip(np.rint(latent_score / N_ITEMS + ITEM_EASE + ITEM_SD * noise), 0, HIGHEST)
    gap = random_stream(seed, "missing answers", patient_id, visit_id)
    fate = gap.random()
    if fate < FORM_LOST:
        return None
    n_missing = 0
    if fate < FORM_LOST + MANY_MISSING:
        n_missing = int(gap.integers(3, 7))
    elif fate < FORM_LOST + MANY_MISSING + FEW_MISSING:
        n_missing = int(gap.integers(1, 3))
    given = pd.array(answer.astype(int), dtype="Int64")
    given[gap.choice(N_ITEMS, n_missing, replace=False)] = pd.NA
    return pd.DataFrame(
        {
            "patient_id": patient_id,
            "visit_id": visit_id,
            "instrument": INSTRUMENT,
            "item": np.arange(1, N_ITEMS + 1),
            "answer": given,
        }
    )
