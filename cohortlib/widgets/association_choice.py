"""Every hip of the study with its cup and its patient's score, and why a hip has no place in the analysis."""

from __future__ import annotations

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.measure.cup.target import distance_from_target
from cohortlib.outcomes.instruments import INSTRUMENTS, Instrument
from cohortlib.tables import Study
from cohortlib.widgets.cup_choice import MEASURED, cup_choice
from cohortlib.widgets.cup_view import ZONE, zone_definition

#: What may be set against the score, and how an axis calls it.
EXPOSURES = {
    "distance": "Distance of the cup from the target",
    "inclination": "Radiographic inclination",
    "anteversion": "Radiographic anteversion",
}
#: Where a hip leaves the analysis, in the order in which it is looked at; the last stays.
STATUS = (
    "no film read",
    "film gives no value",
    "no form",
    "form without a score",
    "analysed",
)


def hips_with_scores(
    study: Study,
    measurements: pd.DataFrame,
    scores: pd.DataFrame,
    *,
    exposure: str,
    image_visit_id: str,
    reader_id: str,
    score_visit_id: str,
) -> pd.DataFrame:
    """One row a hip of the study: its cup on the film of one visit, its patient's score at another.

    Parameters
    ----------
    study
        For the hips, the endpoint's instrument and the target.
    measurements
        From `measure_study`.
    scores
        From `questionnaire_scores`.
    exposure
        "distance", "inclination" or "anteversion": what is to be set against the score.
    image_visit_id, reader_id
        Which reading of which film; the first one (repeat 1) of each hip is taken.
    score_visit_id
        When the patient answered.

    Returns
    -------
    DataFrame
        All hips of the study in their order: hip_id, patient_id, arm, surgeon_id, the exposure and its sd
        (`…_sd`) [deg], score (the patient's, beside each of his hips), status (one of `STATUS`: the first
        reason why a hip is lost, or "analysed").

    Raises
    ------
    StudyError
        If there is no such reading, exposure or visit, the endpoint is not a score, a patient has two scores
        at the visit, or a distance is asked for in a study without a zone to take its target from.
    """
    _check(study, exposure=exposure, score_visit_id=score_visit_id)
    cups = cup_choice(
        study, measurements, visit_id=image_visit_id, reader_id=reader_id, by="arm", definition=MEASURED
    )
    if exposure == "distance":
        inclination, anteversion = target_orientation(study)
        away = distance_from_target(
            cups, target_inclination_deg=inclination, target_anteversion_deg=anteversion
        )
        cups = cups.join(away)
    instrument = endpoint_instrument(study)
    asked = scores[(scores["instrument"] == instrument.name) & (scores["visit_id"] == score_visit_id)]
    again = asked["patient_id"].duplicated(keep=False)
    if again.any():
        raise study_error(
            file="scores",
            column="patient_id",
            found=str(asked.loc[again, "patient_id"].iloc[0]),
            count=int(again.sum()),
            expected="one score a patient at a visit",
            remedy="Give the table as questionnaire_scores returns it",
        )
    score = asked.set_index("patient_id")["value"]
    table = study.hips[["hip_id", "patient_id", "arm", "surgeon_id"]].merge(
        cups[["hip_id", exposure, f"{exposure}_sd"]], on="hip_id", how="left", validate="one_to_one"
    )
    table["score"] = table["patient_id"].map(score).astype(float)
    table["status"] = STATUS[-1]
    lost = {
        "form without a score": table["score"].isna(),
        "no form": ~table["patient_id"].isin(score.index),
        "film gives no value": table[exposure].isna(),
        "no film read": ~table["hip_id"].isin(cups["hip_id"]),
    }
    for status, rows in lost.items():  # the first reason is written last
        table.loc[rows, "status"] = status
    return table


def endpoint_instrument(study: Study) -> Instrument:
    """The questionnaire of the study's primary endpoint.

    Raises
    ------
    StudyError
        If the endpoint is measured on images, or by a questionnaire that cannot be scored.
    """
    name = study.endpoint.get("instrument", "")
    if name not in INSTRUMENTS:
        raise study_error(
            file="study.toml",
            column="[endpoint] instrument",
            found=name or "no instrument",
            expected="one of " + ", ".join(INSTRUMENTS),
            remedy="Name the questionnaire of the primary endpoint",
        )
    return INSTRUMENTS[name]


def target_orientation(study: Study) -> tuple[float, float]:
    """Inclination and anteversion [deg] in the middle of the study's zone, as the target of a distance.

    Raises
    ------
    StudyError
        If study.toml has no zone for both angles, or has it in another definition than is measured.
    """
    angles = ("inclination", "anteversion")
    zone = [study.threshold(ZONE, quantity=angle) for angle in angles]
    if zone_definition(study) != MEASURED:
        raise study_error(
            file="study.toml",
            column=f"[[thresholds]] {ZONE}, definition",
            found=zone_definition(study) or "no definition",
            expected=f"{MEASURED}, as the cups are measured",
            remedy="State the definition of the zone, or look at one angle instead of the distance",
        )
    inclination, anteversion = (float(row["lower"] + row["upper"]) / 2 for row in zone)
    return inclination, anteversion


def _check(study: Study, *, exposure: str, score_visit_id: str) -> None:
    if exposure not in EXPOSURES:
        raise study_error(
            column="exposure",
            found=exposure,
            expected="one of " + ", ".join(EXPOSURES),
            remedy="Choose one of these",
        )
    visits = list(study.schedule["visit_id"])
    if score_visit_id not in visits:
        raise study_error(
            column="score_visit_id",
            found=score_visit_id,
            expected="one of " + ", ".join(visits),
            remedy="Choose a visit of the schedule in study.toml",
        )
