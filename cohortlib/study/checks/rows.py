"""What the cells of one row, or of the rows of one scan or patient, say of each other."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import pandas as pd

from cohortlib.study.checks.coded import joined, texts, words
from cohortlib.study.grouping import file_name, grouped_problems
from cohortlib.study.names import alternatives
from cohortlib.study.timeline import looked_up
from cohortlib.tables import GRADING_SCALES, SIGNALS, ZONE_SYSTEMS
from cohortlib.tables.grading_scales import grades_of

#: Body mass index, in kg/m2, beyond which height and mass are looked at again. Common practice, no source.
LEAST_BMI, GREATEST_BMI = 11, 75
#: Scan length in cm that dose length product and dose index may make together: a body is no longer.
LEAST_SCAN_CM, GREATEST_SCAN_CM = 0.5, 220


def row_problems(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """Problems that are seen in a table alone."""
    problems: list[dict[str, Any]] = []
    for name, check in _OF_ONE_TABLE:
        if len(tables[name]):
            problems += check(tables[name])
    return problems + _controls(tables)


def _bodies(patients: pd.DataFrame) -> list[dict[str, Any]]:
    bmi = patients["mass_kg"] / (patients["height_cm"] / 100) ** 2
    rows = patients[(bmi < LEAST_BMI) | (bmi > GREATEST_BMI)]
    return grouped_problems(
        joined(rows["mass_kg"], " kg with ", rows["height_cm"], " cm"),
        file=file_name("patients"),
        column="height_cm, mass_kg",
        expected=f"a body mass index from {LEAST_BMI} to {GREATEST_BMI} kg/m2",
        remedy="Look whether one of the two is in another unit, or stands in the other's column",
    )


def _same_day(hips: pd.DataFrame) -> list[dict[str, Any]]:
    """Both hips of a patient on one day, but in two hospitals."""
    rows = hips.dropna(subset=["patient_id", "surgery_date", "centre_id"])
    day = joined(rows["patient_id"], " on ", rows["surgery_date"])
    centre = texts(rows["centre_id"])
    first = centre.groupby(day).transform("first")
    other = centre != first
    return grouped_problems(
        joined(day[other], " in ", centre[other]),
        file=file_name("hips"),
        column="centre_id",
        expected=joined("one hospital for both hips on one day (", first[other], " in an earlier row)"),
        remedy="Correct centre_id, patient_id or surgery_date",
    )


def _angles(plans: pd.DataFrame) -> list[dict[str, Any]]:
    angle = plans["planned_inclination_deg"].notna() | plans["planned_anteversion_deg"].notna()
    return grouped_problems(
        texts(plans["hip_id"])[angle & plans["angle_definition"].isna()],
        file=file_name("plans"),
        column="angle_definition",
        expected="the definition of the planned angles",
        remedy="Write radiographic, operative or anatomical; they differ by up to 10 degrees",
    )


def _zones(table: str, rows: pd.DataFrame) -> list[dict[str, Any]]:
    problems: list[dict[str, Any]] = []
    rows = rows.dropna(subset=["zone_system", "zone"])
    for name, system in ZONE_SYSTEMS.items():
        zone = texts(rows["zone"])[(rows["zone_system"] == name).to_numpy(dtype=bool)]
        problems += grouped_problems(
            zone[~zone.isin(system.names)],
            file=file_name(table),
            column="zone",
            expected=f"a zone of {name}: {alternatives(system.names)}",
            remedy="Correct the zone or the zone_system",
        )
    return problems


def _grades(grades: pd.DataFrame) -> list[dict[str, Any]]:
    problems: list[dict[str, Any]] = []
    rows = grades.dropna(subset=["scale", "part", "grade"])
    for scale, own in rows.groupby("scale", sort=False):
        parts = GRADING_SCALES[str(scale)].parts
        part = texts(own["part"])
        problems += grouped_problems(
            part[~part.isin(list(parts))],
            file=file_name("grades"),
            column="part",
            expected=f"a part of {scale}: {alternatives(tuple(parts))}",
            remedy="Correct the part or the scale",
        )
        for name in parts:
            grade = texts(own["grade"])[(part == name).to_numpy(dtype=bool)]
            allowed = grades_of(str(scale), name)
            problems += grouped_problems(
                grade[~grade.isin(allowed)],
                file=file_name("grades"),
                column="grade",
                expected=f"a grade of {scale}, {name}: {alternatives(allowed)}",
                remedy="Correct the grade",
            )
    return problems


def _widths(gradings: pd.DataFrame) -> list[dict[str, Any]]:
    nothing = gradings["state"].isin(("none", "not assessable")) & (gradings["width_mm"] > 0)
    return grouped_problems(
        joined(gradings["width_mm"][nothing], " mm, ", gradings["state"][nothing]),
        file=file_name("gradings"),
        column="width_mm",
        expected="no width where the state is none or not assessable",
        remedy="Correct the state, or leave the width empty",
    )


def _scans(densitometry: pd.DataFrame) -> list[dict[str, Any]]:
    """A scan number that stands for two scans."""
    keys = ["hip_id", "visit_id", "measured_side", "repeat"]
    rows = densitometry.dropna(subset=["scan_id", *keys])
    if rows.empty:
        return []
    own = words(rows, keys)
    scan = texts(rows["scan_id"])
    first = own.groupby(scan).transform("first")
    other = own != first
    return grouped_problems(
        scan[other],
        file=file_name("densitometry"),
        column="scan_id",
        expected=joined("one hip, visit, side and repeat for a scan (", first[other], " in an earlier row)"),
        remedy="Correct the number of the scan, or the others",
    )


def _controls(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """The other hip of a patient as a control, though it is a study hip operated on before the visit."""
    rows = tables["densitometry"]
    rows = rows[rows["measured_side"] == "other"].dropna(subset=["hip_id", "visit_id"])
    if rows.empty:
        return []
    hips = tables["hips"].dropna(subset=["hip_id", "patient_id", "surgery_date"])
    hips = hips.assign(hip_id=texts(hips["hip_id"]), patient_id=texts(hips["patient_id"]))
    pairs = hips[["hip_id", "patient_id"]].merge(hips, on="patient_id", suffixes=("", "_other"))
    pairs = pairs[pairs["hip_id"] != pairs["hip_id_other"]].drop_duplicates("hip_id").set_index("hip_id")
    visits = tables["visits"].dropna(subset=["patient_id", "visit_id"])
    visits = visits.drop_duplicates(["patient_id", "visit_id"])
    came = visits.set_index(words(visits, ["patient_id", "visit_id"]))["date"]
    hip = texts(rows["hip_id"])
    visit = joined(looked_up(hip, pairs["patient_id"]), ", ", rows["visit_id"])
    day = rows["scanned_on"].fillna(looked_up(visit, came))
    operated = looked_up(hip, pairs["surgery_date"]) < day
    return grouped_problems(
        hip[operated],
        file=file_name("densitometry"),
        column="measured_side",
        expected=joined(
            "a hip that was not operated on, for a control (",
            looked_up(hip, pairs["hip_id_other"])[operated],
            " was, before the scan)",
        ),
        remedy="Give the scan the other hip's hip_id and measured_side = operated",
    )


def _signals(curves: pd.DataFrame) -> list[dict[str, Any]]:
    """Curves in a unit that their signal cannot have."""
    pairs = curves[["signal", "unit"]].dropna().drop_duplicates()
    problems: list[dict[str, Any]] = []
    for signal, unit in zip(texts(pairs["signal"]), texts(pairs["unit"]), strict=True):
        units = SIGNALS[signal].units
        if unit not in units:
            wrong = (curves["signal"] == signal) & (curves["unit"] == unit)
            problems += grouped_problems(
                texts(curves["unit"][wrong]),
                file=file_name("gait_curves"),
                column="unit",
                expected=f"a unit of {signal}: {alternatives(units)}",
                remedy="Correct the signal or the unit, and look whether the values are in it",
            )
    return problems


def _doses(doses: pd.DataFrame) -> list[dict[str, Any]]:
    length_cm = doses["dlp_mgy_cm"] / doses["ctdi_vol_mgy"]
    wrong = (length_cm < LEAST_SCAN_CM) | (length_cm > GREATEST_SCAN_CM)
    rows = doses[wrong]
    return grouped_problems(
        joined(rows["dlp_mgy_cm"], " mGy.cm with ", rows["ctdi_vol_mgy"], " mGy"),
        file=file_name("ct_doses"),
        column="dlp_mgy_cm, ctdi_vol_mgy",
        expected=f"a scan of {LEAST_SCAN_CM} to {GREATEST_SCAN_CM} cm, their quotient",
        remedy="Look at the units in the dose report: the product may be in mGy.m or uGy.m2",
    )


_OF_ONE_TABLE: tuple[tuple[str, Callable[[pd.DataFrame], list[dict[str, Any]]]], ...] = (
    ("patients", _bodies),
    ("hips", _same_day),
    ("plans", _angles),
    ("gradings", partial(_zones, "gradings")),
    ("gradings", _widths),
    ("grades", _grades),
    ("densitometry", partial(_zones, "densitometry")),
    ("densitometry", _scans),
    ("gait_curves", _signals),
    ("ct_doses", _doses),
)
