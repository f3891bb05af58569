"""The truth behind the study, as one long table: what was put in, and where."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from cohortlib.synthetic import answers, fixation_grades, gradings, readers
from cohortlib.synthetic.cohort import SURGEONS
from cohortlib.synthetic.hips import SHARED_IN_PATIENT, SURGEON_ANTEVERSION_DEG, SURGEON_INCLINATION_DEG

TRUTH_COLUMNS = ("patient_id", "hip_id", "visit_id", "image_id", "quantity", "zone", "value", "unit")

_OF_PATIENT = {"natural_head_mm": ("natural_head_diameter", "mm"), "bone_density": ("bone_density", "1")}
_OF_HIP = {
    "inclination_deg": ("cup_inclination_in_pelvis", "deg"),
    "anteversion_deg": ("cup_anteversion_in_pelvis", "deg"),
    "medial_mm": ("cup_shift_medial", "mm"),
    "proximal_mm": ("cup_shift_proximal", "mm"),
    "anterior_mm": ("cup_shift_anterior", "mm"),
    "stem_shaft_angle_deg": ("stem_shaft_angle", "deg"),
    "leg_lengthening_mm": ("leg_lengthening", "mm"),
    "offset_change_mm": ("offset_change", "mm"),
}


def truth_table(tables: Mapping[str, pd.DataFrame], *, seed: int) -> pd.DataFrame:
    """Everything put into the study, long: one row a value.

    Parameters
    ----------
    tables
        patients, hips, visits, latent, images, poses (image_id, side, quantity, value, unit), lines, density,
        signs (from `fixation_grades.true_grades`).
    seed
        Written as the first row.

    Returns
    -------
    DataFrame
        The columns of `TRUTH_COLUMNS`. A row without ids holds for the whole study; a row of a hip
        without an image holds for every visit.
    """
    parts = [
        _of_the_study(seed),
        _long(tables["patients"], _OF_PATIENT, ids=("patient_id",)),
        _of_leavers(tables["patients"]),
        _of_cup_distance(tables["hips"]),
        _long(tables["hips"], _OF_HIP, ids=("patient_id", "hip_id")),
        _long(
            tables["latent"],
            {"latent_score": (f"latent_{answers.INSTRUMENT}", "{score}")},
            ids=("patient_id", "visit_id"),
        ),
        _of_poses(tables["poses"], tables["images"], tables["hips"]),
        _of_lines(tables["lines"]),
        _of_bone(tables["density"]),
        _of_poses(fixation_grades.true_scores(tables["signs"]), tables["images"], tables["hips"]),
    ]
    whole = pd.concat([_with_all_columns(part) for part in parts], ignore_index=True)
    return whole.assign(value=whole["value"].astype(float).round(4) + 0.0)  # + 0.0: no negative zero


def lines_in_truth(truth: pd.DataFrame, hips: pd.DataFrame, *, zone_system: str) -> pd.DataFrame:
    """The true line of every zone, as it went into `truth_table`.

    Parameters
    ----------
    truth
        As `truth_table` gives it, or truth.csv read with zone as text.
    hips
        hip_id, side.
    zone_system
        Such as "cup_3".

    Returns
    -------
    DataFrame
        One row an image, hip and zone: image_id, hip_id, side, zone_system, zone, width_mm (0 where there is
        no line), extent_percent.
    """
    names = {f"line_width_{zone_system}": "width_mm", f"line_extent_{zone_system}": "extent_percent"}
    rows = truth[truth["quantity"].isin(list(names))]
    wide = rows.pivot(index=["image_id", "hip_id", "zone"], columns="quantity", values="value")
    wide = wide.rename(columns=names).rename_axis(columns=None).reset_index()
    side = wide["hip_id"].map(hips.set_index("hip_id")["side"])
    lines = wide.assign(side=side, zone_system=zone_system)
    return lines[["image_id", "hip_id", "side", "zone_system", "zone", *names.values()]]


def _with_all_columns(part: pd.DataFrame) -> pd.DataFrame:
    """An id that a part does not have, or not in every row, is empty text."""
    text = [column for column in TRUTH_COLUMNS if column != "value"]
    filled = {column: part[column].fillna("") if column in part else "" for column in text}
    return part.assign(**filled)[list(TRUTH_COLUMNS)]


def _long(
    table: pd.DataFrame, columns: Mapping[str, tuple[str, str]], *, ids: tuple[str, ...]
) -> pd.DataFrame:
    """One row an id and column; `columns` gives each column its quantity and unit."""
    parts = [
        table[list(ids)].assign(quantity=quantity, value=table[column], unit=unit)
        for column, (quantity, unit) in columns.items()
    ]
    return pd.concat(parts, ignore_index=True)


def _of_the_study(seed: int) -> pd.DataFrame:
    best_inclination, best_anteversion = answers.BEST_CUP_DEG
    rows: list[tuple[str, float, str]] = [
        ("seed", seed, "1"),
        ("score_slope_on_cup_distance", answers.CUP_SLOPE, "{score}/deg"),
        ("best_inclination", best_inclination, "deg"),
        ("best_anteversion", best_anteversion, "deg"),
        ("score_effect_of_resurfacing", answers.ARM_EFFECT, "{score}"),
        ("cup_variance_shared_in_patient", SHARED_IN_PATIENT, "1"),
    ]
    for surgeon in SURGEONS:
        rows.append((f"inclination_habit_{surgeon}", SURGEON_INCLINATION_DEG[surgeon], "deg"))
        rows.append((f"anteversion_habit_{surgeon}", SURGEON_ANTEVERSION_DEG[surgeon], "deg"))
    for reader in readers.CLICK_SD_MM:
        rows.append((f"click_sd_{reader}", readers.CLICK_SD_MM[reader], "mm"))
        rows.append((f"bias_outward_{reader}", readers.OUTWARD_MM[reader], "mm"))
        rows.append((f"bias_teardrop_proximal_{reader}", readers.TEARDROP_PROXIMAL_MM[reader], "mm"))
    for reader in gradings.SEEN_FROM_MM:
        rows.append((f"line_seen_from_{reader}", gradings.SEEN_FROM_MM[reader], "mm"))
        rows.append((f"line_width_sd_{reader}", gradings.WIDTH_SD_MM[reader], "mm"))
        rows.append((f"false_line_share_{reader}", gradings.FALSE_LINE[reader], "1"))
    return pd.DataFrame(rows, columns=["quantity", "value", "unit"])


def _of_leavers(patients: pd.DataFrame) -> pd.DataFrame:
    left = patients.dropna(subset="last_day")
    return left[["patient_id"]].assign(
        quantity="day_of_" + left["left_because"], value=left["last_day"], unit="d"
    )


def _of_cup_distance(hips: pd.DataFrame) -> pd.DataFrame:
    distance = answers.cup_distance_deg(hips).rename("value").reset_index()
    return distance.assign(quantity="cup_distance", unit="deg")


def _of_bone(density: pd.DataFrame) -> pd.DataFrame:
    """The true density of each zone at each visit with a scan, and the hips that lose bone on purpose."""
    zones = density[["patient_id", "hip_id", "visit_id"]].assign(
        quantity="zone_density", zone=density["zone_system"] + ":" + density["zone"], value=density["density"]
    )
    lost = density.loc[density["true_loss"], ["patient_id", "hip_id"]].drop_duplicates()
    return pd.concat([zones.assign(unit="g/cm2"), lost.assign(quantity="loses_bone", value=1, unit="1")])


def _of_poses(poses: pd.DataFrame, images: pd.DataFrame, hips: pd.DataFrame) -> pd.DataFrame:
    """The true pose of each film; a row without a side belongs to the whole pelvis and has no hip."""
    known = poses.merge(images[["image_id", "patient_id", "visit_id"]], on="image_id", validate="many_to_one")
    return known.merge(
        hips[["patient_id", "side", "hip_id"]], on=["patient_id", "side"], how="left", validate="many_to_one"
    )


def _of_lines(lines: pd.DataFrame) -> pd.DataFrame:
    """Width and extent of the line in every zone; 0 where there is none."""
    parts = [
        lines.assign(quantity=f"line_{name}_" + lines["zone_system"], value=lines[column], unit=unit)
        for column, name, unit in (("width_mm", "width", "mm"), ("extent_percent", "extent", "%"))
    ]
    return pd.concat(parts, ignore_index=True)
