"""Invented hips: which implant, and where its cup truly is."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.synthetic.cohort import numbered_ids
from cohortlib.synthetic.streams import random_stream, truncated_normal

ARM_DEVICE = {"resurfacing": "cementless resurfacing", "short_stem": "cementless short stem"}

#: Radiographic cup angles in the patient's pelvis [deg]: surgeon's habit, arm, spread.
SURGEON_INCLINATION_DEG = {"S1": 40.0, "S2": 42.0, "S3": 43.5}
SURGEON_ANTEVERSION_DEG = {"S1": 17.5, "S2": 13.5, "S3": 17.0}
ARM_INCLINATION_DEG = {"resurfacing": 1.0, "short_stem": -0.5}
INCLINATION_SD_DEG, ANTEVERSION_SD_DEG = 5.0, 6.0
LEAST_ANTEVERSION_DEG = 4.0  # except for the outliers: no hidden retroversion
SHARED_IN_PATIENT = 0.4  # of the variance: two hips of one patient are alike
#: Put in on purpose, each in a hip of another patient.
OUTLIERS = (
    ("inclination_deg", 57.5),
    ("inclination_deg", 56.2),
    ("anteversion_deg", 2.0),
    ("anteversion_deg", 32.0),
)


def hip_table(patients: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """One row a study hip with its implant and where its cup truly is.

    Parameters
    ----------
    patients
        From `cohort.patient_table`.

    Returns
    -------
    DataFrame
        hip_id, patient_id, side, arm, device, surgery_date, surgeon_id, head_diameter_mm,
        cup_diameter_mm · truth: inclination_deg, anteversion_deg (radiographic, relative to the
        pelvis; the same at every visit), medial_mm, proximal_mm, anterior_mm (cup centre from the
        centre of the natural hip), stem_shaft_angle_deg, leg_lengthening_mm, offset_change_mm,
        head_material, and the truth columns of `patients`.
    """
    hips = patients.loc[patients.index.repeat(patients["n_hips"])].reset_index(drop=True)
    second = hips["patient_id"].duplicated()
    other_arm = hips["arm"].map({"resurfacing": "short_stem", "short_stem": "resurfacing"})
    hips["arm"] = hips["arm"].mask(second & hips["two_arms"], other_arm)
    hips["hip_id"] = numbered_ids("H", len(hips))
    single_side = random_stream(seed, "side").choice(["left", "right"], len(hips))
    hips["side"] = np.where(second, "left", np.where(hips["n_hips"].eq(2), "right", single_side))
    hips["device"] = hips["arm"].map(ARM_DEVICE)
    hips = _with_sizes(hips, seed)
    hips = _with_cup_angles(hips, seed)
    return _with_femoral_side(_with_cup_centre(hips, seed), seed)


def _with_sizes(hips: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Sizes follow the bone; a resurfacing cup is 6 or 8 mm larger than its head."""
    natural = hips["natural_head_mm"].to_numpy()
    surfaced = hips["arm"].eq("resurfacing").to_numpy()
    wall = random_stream(seed, "cup wall").choice([6, 8], len(hips))
    resurfacing_head, stem_cup = _even(natural + 1.5, 44, 54), _even(natural + 6.5, 48, 60)
    return hips.assign(
        head_diameter_mm=np.where(surfaced, resurfacing_head, np.where(stem_cup >= 52, 36, 32)),
        cup_diameter_mm=np.where(surfaced, resurfacing_head + wall, stem_cup),
    )


def _with_cup_angles(hips: pd.DataFrame, seed: int) -> pd.DataFrame:
    inclination = hips["surgeon_id"].map(SURGEON_INCLINATION_DEG) + hips["arm"].map(ARM_INCLINATION_DEG)
    anteversion = hips["surgeon_id"].map(SURGEON_ANTEVERSION_DEG)
    inclination = inclination + INCLINATION_SD_DEG * _alike(hips, seed, "inclination")
    anteversion = anteversion + ANTEVERSION_SD_DEG * _alike(hips, seed, "anteversion")
    angles = hips.assign(
        inclination_deg=inclination.round(1),
        anteversion_deg=anteversion.clip(lower=LEAST_ANTEVERSION_DEG).round(1),
    )
    chosen = random_stream(seed, "outliers").choice(
        angles.index[angles["n_hips"].eq(1)], len(OUTLIERS), replace=False
    )
    for row, (column, value) in zip(chosen, OUTLIERS, strict=True):
        angles.loc[row, column] = value
    return angles


def _with_cup_centre(hips: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Where the cup centre stands from the natural hip centre; reamed a little medially and upwards."""
    columns = {"medial_mm": (2.0, 2.0), "proximal_mm": (1.0, 2.0), "anterior_mm": (0.0, 1.5)}
    return hips.assign(**{name: _drawn(hips, seed, name, *facts) for name, facts in columns.items()})


def _with_femoral_side(hips: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Lengthening and offset belong to the stem: a resurfacing keeps both."""
    surfaced = hips["arm"].eq("resurfacing")
    angle = _drawn(hips, seed, "stem_shaft_angle_deg", 0.0, 4.0) + np.where(surfaced, 138, 134)
    ceramic = random_stream(seed, "ceramic head").random(len(hips)) < 0.6
    return hips.assign(
        stem_shaft_angle_deg=angle.round(1),
        leg_lengthening_mm=_drawn(hips, seed, "leg_lengthening_mm", 3.0, 3.0).mask(surfaced, 0.0),
        offset_change_mm=_drawn(hips, seed, "offset_change_mm", 2.0, 3.0).mask(surfaced, 0.0),
        head_material=np.where(ceramic & ~surfaced, "ceramic", "cobalt-chrome"),
    )


def _drawn(hips: pd.DataFrame, seed: int, purpose: str, mean: float, sd: float) -> pd.Series:
    values = truncated_normal(random_stream(seed, purpose), mean, sd, size=len(hips))
    return pd.Series(values.round(1) + 0.0, index=hips.index)  # + 0.0: no negative zero


def _alike(hips: pd.DataFrame, seed: int, purpose: str) -> np.ndarray:
    """Standard scores, of which the hips of one patient share a part."""
    patient = hips.groupby("patient_id").ngroup().to_numpy()
    shared = truncated_normal(random_stream(seed, purpose, "patient"), 0, 1, size=patient.max() + 1, reach=2)
    own = truncated_normal(random_stream(seed, purpose, "hip"), 0, 1, size=len(hips), reach=2)
    return np.sqrt(SHARED_IN_PATIENT) * shared[patient] + np.sqrt(1 - SHARED_IN_PATIENT) * own


def _even(size: np.ndarray, least: int, greatest: int) -> np.ndarray:
    return np.clip(2 * np.rint(size / 2), least, greatest).astype(int)
