"""Metals in the blood and bone density: what a laboratory and a scanner report as numbers."""

from __future__ import annotations

from cohortlib.tables.column import YES_NO, Column
from cohortlib.tables.zones import ZONE_SYSTEMS

#: Metals of implants, with their molar mass in g/mol (IUPAC abridged standard atomic weights, 2021).
MOLAR_MASSES_G_PER_MOL = {
    "cobalt": 58.933,
    "chromium": 51.996,
    "titanium": 47.867,
    "molybdenum": 95.95,
    "nickel": 58.693,
    "aluminium": 26.982,
    "vanadium": 50.942,
}
#: Not interchangeable: whole blood and serum of one analyte are never pooled.
MATRICES = ("whole blood", "serum", "plasma", "urine")

COLUMNS = (
    Column("blood", "patient_id", "id", True, "whose sample", refers="patients"),
    Column("blood", "visit_id", "id", True, "taken at which visit", refers="schedule"),
    Column("blood", "analyte", "choice", True, "what was measured", allowed=tuple(MOLAR_MASSES_G_PER_MOL)),
    Column("blood", "matrix", "choice", True, "in what it was measured", allowed=MATRICES),
    Column("blood", "value", "number", False, "the result; empty below the limit", "as in unit", (0, 1e6)),
    Column("blood", "unit", "choice", True, "UCUM code of value and limit", allowed=("ug/L", "nmol/L")),
    Column("blood", "below_limit", "choice", True, "whether the result was below the limit", allowed=YES_NO),
    Column(
        "blood",
        "limit",
        "number",
        False,
        "smallest result the laboratory reports; needed where a result is below it",
        "as in unit",
        (0, 1e6),
    ),
    Column("blood", "laboratory", "text", False, "which laboratory"),
    Column("blood", "sampled_on", "date", False, "the day of the sample, if not that of the visit"),
    Column("densitometry", "hip_id", "id", True, "for which study hip", refers="hips"),
    Column("densitometry", "visit_id", "id", True, "at which visit", refers="schedule"),
    Column(
        "densitometry",
        "measured_side",
        "choice",
        True,
        "the operated hip, or the other hip of the patient as its control",
        allowed=("operated", "other"),
    ),
    Column("densitometry", "repeat", "integer", True, "1 for the first scan of the visit, 2 …", "1", (1, 99)),
    Column("densitometry", "scan_id", "id", False, "number of the scan in the scanner's archive"),
    Column("densitometry", "scanned_on", "date", False, "the day of the scan, if not that of the visit"),
    Column("densitometry", "zone_system", "choice", True, "which zones", allowed=tuple(ZONE_SYSTEMS)),
    Column("densitometry", "zone", "id", True, "number of the zone in its system"),
    Column("densitometry", "bmd_g_cm2", "number", False, "areal bone density", "g/cm2", (0.05, 4)),
    Column("densitometry", "area_cm2", "number", False, "area of the zone", "cm2", (0.05, 60)),
    Column("densitometry", "scanner", "id", True, "which scanner, so that a change of it is seen"),
    Column(
        "densitometry",
        "mode",
        "text",
        True,
        "scan mode and version of the software, as the report names them",
    ),
    Column(
        "densitometry",
        "foot_rotation_deg",
        "number",
        False,
        "rotation of the foot (+ = inwards)",
        "deg",
        (-60, 60),
    ),
)

KEYS = {
    "blood": ("patient_id", "visit_id", "analyte", "matrix"),
    "densitometry": ("hip_id", "visit_id", "measured_side", "repeat", "zone_system", "zone"),
}
