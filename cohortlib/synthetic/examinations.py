"""Which films were taken, how the patient lay, and the recipe of each film.

The cup keeps its place in the pelvis; what differs from film to film is how the pelvis lay, where the
beam was centred and which detector was used.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe
from cohortlib.synthetic.streams import random_stream, truncated_normal

FILMED_VISITS = ("week_6", "month_12")
N_FILMED_BEFORE = 6  # the first patients also have a film before the operation

TILT_PATIENT_SD_DEG, TILT_DAY_SD_DEG = 3.5, 2.0  # together 4
TILT_STANDING_DEG = -5.0  # the pelvis of a standing patient leans back
#: (mean, SD) of what else differs from film to film.
POSE = {
    "rotation_deg": (0.0, 2.0),
    "obliquity_deg": (0.0, 2.0),
    "offset_left_mm": (0.0, 8.0),
    "offset_proximal_mm": (-20.0, 8.0),
    "source_to_detector_mm": (1150.0, 5.0),
    "femur_internal_rotation_deg": (10.0, 5.0),
    "femur_abduction_deg": (0.0, 2.0),
}
STANDING, MONOCHROME1, COLLIMATED = 0.12, 0.1, 0.15  # shares of the films
FIELD_MM = (420.0, 345.0)  # width and height of every detector
USUAL_SPACING_MM = 0.3
OTHER_SPACING_MM = {0.2: 3, 0.25: 4, 0.4: 4}  # films
N_FLAT, FLAT_CONTRAST = 3, 0.45  # films stored with so much of the scale
MEAN_NATURAL_HEAD_MM = 45.74  # of the anatomy at scale 1: the femoral head has radius 22.87 mm


def image_table(patients: pd.DataFrame, visits: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """One row a film, in the order of patients and dates.

    Parameters
    ----------
    patients, visits
        From `cohort`.

    Returns
    -------
    DataFrame
        image_id, patient_id, visit_id, kind, view, position, path · truth: date, tilt_deg, the
        columns of `POSE`, spacing_mm, photometric, collimation_mm, contrast.
    """
    before = visits[visits["visit_id"].eq("before")].head(N_FILMED_BEFORE)
    after = visits[visits["visit_id"].isin(FILMED_VISITS)]
    films = pd.concat([before, after]).sort_values(["patient_id", "date"], ignore_index=True)
    films = films[["patient_id", "visit_id", "date"]]
    films["image_id"] = [f"I{number:04d}" for number in range(1, len(films) + 1)]
    films["path"] = "images/" + films["image_id"] + ".dcm"
    standing = (random_stream(seed, "position").random(len(films)) < STANDING) & films["visit_id"].ne(
        "before"
    )
    films = films.assign(
        kind="radiograph", view="AP pelvis", position=np.where(standing, "standing", "supine")
    )
    return _with_detector(_with_pose(films, patients, seed), seed)


def _with_pose(films: pd.DataFrame, patients: pd.DataFrame, seed: int) -> pd.DataFrame:
    own = truncated_normal(
        random_stream(seed, "tilt of the patient"), 0, TILT_PATIENT_SD_DEG, size=len(patients)
    )
    tilt = films["patient_id"].map(dict(zip(patients["patient_id"], own, strict=True)))
    tilt += truncated_normal(random_stream(seed, "tilt of the day"), 0, TILT_DAY_SD_DEG, size=len(films))
    tilt += np.where(films["position"].eq("standing"), TILT_STANDING_DEG, 0.0)
    drawn = {
        name: truncated_normal(random_stream(seed, name), mean, sd, size=len(films)).round(1) + 0.0
        for name, (mean, sd) in POSE.items()
    }
    return films.assign(tilt_deg=tilt.round(1) + 0.0, **drawn)


def _with_detector(films: pd.DataFrame, seed: int) -> pd.DataFrame:
    spacing = np.full(len(films), USUAL_SPACING_MM)
    others = np.repeat(list(OTHER_SPACING_MM), list(OTHER_SPACING_MM.values()))
    spacing[random_stream(seed, "spacing").choice(len(films), len(others), replace=False)] = others
    inverted = random_stream(seed, "photometric").choice(
        len(films), round(MONOCHROME1 * len(films)), replace=False
    )
    collimated = random_stream(seed, "collimation").random(len(films)) < COLLIMATED
    flat = random_stream(seed, "contrast").choice(len(films), N_FLAT, replace=False)
    return films.assign(
        contrast=np.where(films.index.isin(flat), FLAT_CONTRAST, 1.0),
        spacing_mm=spacing,
        photometric=np.where(films.index.isin(inverted), "MONOCHROME1", "MONOCHROME2"),
        collimation_mm=np.where(collimated, 12.0, 0.0),
    )


def film_recipe(
    film: pd.Series,
    patient: pd.Series,
    hips: pd.DataFrame,
    *,
    seed: int,
    changes: Mapping[str, Mapping[str, Any]] | None = None,
) -> FilmRecipe:
    """The recipe of one film: the patient's bones, the implants if operated, the pose of the day.

    Parameters
    ----------
    film
        A row of `image_table`.
    patient
        The patient's row of `cohort.patient_table`.
    hips
        The patient's rows of `hips.hip_table`.
    changes
        What is no longer as on the day of the operation, from `findings.recipe_changes`.
    """
    since = {} if changes is None else changes
    operated = film["visit_id"] != "before"
    body_mass_index = patient["mass_kg"] / (patient["height_cm"] / 100) ** 2
    thickness_mm = round(210 + 7 * (body_mass_index - 27.5))
    pose: dict[str, Any] = {
        name: float(film[name]) for name in ("tilt_deg", *POSE, "spacing_mm", "collimation_mm")
    }
    width_mm, height_mm = FIELD_MM
    return FilmRecipe(
        seed=_number(seed, "film", film["image_id"]),
        patient_seed=_number(seed, "bone texture", patient["patient_id"]),
        implants=tuple(replace(_implant(hip), **since.get(hip["hip_id"], {})) for _, hip in hips.iterrows())
        if operated
        else (),
        **_bones(patient, seed),
        **pose,
        # The detector lies under the table top, 35 mm behind the patient's back.
        source_to_hips_mm=round(pose["source_to_detector_mm"] - thickness_mm / 2 - 35, 1),
        columns=round(width_mm / pose["spacing_mm"]),
        rows=round(height_mm / pose["spacing_mm"]),
        photometric=str(film["photometric"]),
        position=str(film["position"]),
        thickness_mm=thickness_mm,
        width_mm=round(350 + 7.5 * (body_mass_index - 27.5)),
        bone_density=float(patient["bone_density"]),
        # As a digital system shows it: the broad course of density is evened out, edges stay in place.
        equalisation=0.4,
        contrast=float(film["contrast"]),
    )


def _bones(patient: pd.Series, seed: int) -> dict[str, Any]:
    """Scale and shape of the pelvis: the same on every film of a patient."""
    stream = random_stream(seed, "shape of the pelvis", patient["patient_id"])
    scale = patient["natural_head_mm"] / MEAN_NATURAL_HEAD_MM
    width = 0.05 if patient["sex"] == "female" else -0.03
    return {
        "size": tuple(float(value) for value in (scale * stream.normal(1, 0.012, 3)).round(3)),
        "lower_pelvis_width": round(float(stream.normal(width, 0.02)), 3),
    }


def _implant(hip: pd.Series) -> ImplantRecipe:
    columns = (
        "head_diameter_mm",
        "cup_diameter_mm",
        "inclination_deg",
        "anteversion_deg",
        "medial_mm",
        "proximal_mm",
        "anterior_mm",
        "stem_shaft_angle_deg",
        "leg_lengthening_mm",
        "offset_change_mm",
    )
    sizes: dict[str, Any] = {name: float(hip[name]) for name in columns}
    return ImplantRecipe(
        side=str(hip["side"]),
        design=str(hip["arm"]),
        head_material=str(hip["head_material"]),
        **sizes,
    )


def _number(seed: int, *purpose: str) -> int:
    """A seed for somebody else's random numbers."""
    return int(random_stream(seed, *purpose).integers(2**31))
