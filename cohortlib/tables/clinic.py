"""What the clinic enters: patients, hips, the plan of the operation, visits."""

from __future__ import annotations

from cohortlib.tables.column import SIDES, YES_NO, Column

DIAGNOSES = (
    "osteoarthritis",
    "dysplasia",
    "avascular necrosis",
    "inflammatory arthritis",
    "childhood hip disease",
    "fracture",
    "other",
)
APPROACHES = ("posterior", "lateral", "anterolateral", "direct anterior", "other")
#: Three definitions of the same two angles (Murray DW, J Bone Joint Surg Br 1993;75:228-32).
ANGLE_DEFINITIONS = ("radiographic", "operative", "anatomical")
_PER_PROTOCOL = "whether it counts in the per-protocol analysis; empty = not decided yet"

COLUMNS = (
    Column("patients", "patient_id", "id", True, "study number of the patient", unique=True),
    Column("patients", "sex", "choice", True, "sex", allowed=("female", "male")),
    Column("patients", "birth_year", "integer", True, "year of birth", "a", (1900, 2100)),
    Column("patients", "height_cm", "number", False, "standing height", "cm", (120, 220)),
    Column("patients", "mass_kg", "number", False, "body mass", "kg", (30, 250)),
    Column("patients", "consent_date", "date", False, "the day the patient agreed to take part"),
    Column("hips", "hip_id", "id", True, "study number of the hip", unique=True),
    Column("hips", "patient_id", "id", True, "whose hip", refers="patients"),
    Column("hips", "side", "choice", True, "side of the patient", allowed=SIDES),
    Column("hips", "arm", "id", True, "study arm as assigned, one of [[arms]] in study.toml", refers="arms"),
    Column("hips", "device", "text", True, "implant design as the study names it"),
    Column("hips", "surgery_date", "date", True, "date of the operation: day 0"),
    Column("hips", "surgeon_id", "id", False, "who operated"),
    Column("hips", "head_diameter_mm", "number", True, "labelled diameter of the head", "mm", (20, 70)),
    Column("hips", "cup_diameter_mm", "number", False, "labelled outer diameter of the cup", "mm", (36, 80)),
    Column("hips", "centre_id", "id", False, "in which hospital of the study"),
    Column("hips", "diagnosis", "choice", False, "why the hip was operated on", allowed=DIAGNOSES),
    Column("hips", "approach", "choice", False, "the way to the joint", allowed=APPROACHES),
    Column("hips", "stem_size", "text", False, "size of the stem as its label names it"),
    Column("hips", "head_offset_mm", "number", False, "labelled neck length of the head", "mm", (-10, 20)),
    Column(
        "hips", "received_arm", "id", False, "arm of the implant put in, if not as assigned", refers="arms"
    ),
    Column("hips", "per_protocol", "choice", False, _PER_PROTOCOL, allowed=YES_NO),
    Column("plans", "hip_id", "id", True, "planned for which hip", refers="hips", unique=True),
    Column("plans", "planned_on", "date", False, "the day of the plan"),
    Column(
        "plans",
        "angle_definition",
        "choice",
        False,
        "definition of both angles; an angle without it is no value",
        allowed=ANGLE_DEFINITIONS,
    ),
    Column("plans", "planned_inclination_deg", "number", False, "planned cup inclination", "deg", (0, 90)),
    Column("plans", "planned_anteversion_deg", "number", False, "planned cup anteversion", "deg", (-60, 90)),
    Column(
        "plans",
        "planned_cup_diameter_mm",
        "number",
        False,
        "planned outer diameter of the cup",
        "mm",
        (36, 80),
    ),
    Column(
        "plans", "planned_head_diameter_mm", "number", False, "planned diameter of the head", "mm", (20, 70)
    ),
    Column("plans", "planned_stem_size", "text", False, "planned size of the stem as its label names it"),
    Column(
        "plans",
        "planned_leg_change_mm",
        "number",
        False,
        "planned change of leg length (+ = longer)",
        "mm",
        (-60, 60),
    ),
    Column(
        "plans",
        "planned_offset_change_mm",
        "number",
        False,
        "planned change of offset (+ = more)",
        "mm",
        (-40, 40),
    ),
    Column("visits", "patient_id", "id", True, "whose visit", refers="patients"),
    Column("visits", "visit_id", "id", True, "one of [[visits]] in study.toml", refers="schedule"),
    Column("visits", "date", "date", True, "the day the patient came"),
)

KEYS = {
    "patients": ("patient_id",),
    "hips": ("hip_id",),
    "plans": ("hip_id",),
    "visits": ("patient_id", "visit_id"),
}
