"""Images, what readers saw on them, and the dose of computed tomography."""

from __future__ import annotations

from cohortlib.tables.column import SIDES, Column
from cohortlib.tables.grading_scales import GRADING_SCALES
from cohortlib.tables.zones import ZONE_SYSTEMS

#: Landmarks of a radiograph that a reader marks; each belongs to a side of the patient.
LANDMARKS = (
    "teardrop",
    "head_edge",
    "cup_rim",
    "stem_axis",
    "stem_tip",
    "stem_shoulder",
    "shaft_axis",
    "lesser_trochanter",
    "greater_trochanter_tip",
    "neck_edge",
    "notch_edge",
    "notch_floor",
    "symphysis_top",
    "sacrococcygeal_joint",
)
#: Of these the other side is marked too, whichever side is read: angles and lengths stand on the lines
#: between them.
OF_BOTH_SIDES = ("teardrop", "lesser_trochanter")
#: What a reader says of a zone; "not assessable" is never the same as "none".
ZONE_STATES = ("none", "incomplete", "complete", "not assessable")
VIEWS = ("AP pelvis", "AP hip", "lateral hip", "AP leg")

_REPEAT = "1 for the first reading, 2 for the second …"
_EXAMINATION = "2 for the second of a double examination, else 1 or empty"

COLUMNS = (
    Column("images", "image_id", "id", True, "study number of the image", unique=True),
    Column("images", "patient_id", "id", True, "whose image", refers="patients"),
    Column("images", "visit_id", "id", True, "taken for which visit", refers="schedule"),
    Column(
        "images", "kind", "choice", True, "kind of examination", allowed=("radiograph", "CT", "densitometry")
    ),
    Column("images", "view", "choice", False, "projection; every radiograph has one", allowed=VIEWS),
    Column(
        "images", "position", "choice", False, "how the patient was placed", allowed=("supine", "standing")
    ),
    Column("images", "path", "path", True, "file below the study folder; of a CT, the folder of its slices"),
    Column("images", "side", "choice", False, "side of the patient; empty if both are shown", allowed=SIDES),
    Column("images", "examination", "integer", False, _EXAMINATION, "1", (1, 2)),
    Column("images", "taken_on", "date", False, "the day it was taken, if not that of the visit"),
    Column("images", "sha256", "digest", False, "SHA-256 of the file: 64 digits from 0 to f"),
    Column("landmarks", "image_id", "id", True, "marked on which image", refers="images"),
    Column("landmarks", "reader_id", "id", True, "who marked"),
    Column("landmarks", "repeat", "integer", True, _REPEAT, "1", (1, 99)),
    Column("landmarks", "landmark", "choice", True, "what was marked", allowed=LANDMARKS),
    Column("landmarks", "side", "choice", True, "side of the patient", allowed=SIDES),
    Column("landmarks", "x_px", "number", True, "columns to the right; 0 = middle of the first", "{pixel}"),
    Column("landmarks", "y_px", "number", True, "rows downwards; 0 = middle of the first", "{pixel}"),
    Column("landmarks", "marked_at", "datetime", True, "when, UTC"),
    Column("gradings", "image_id", "id", True, "graded on which image", refers="images"),
    Column("gradings", "reader_id", "id", True, "who graded"),
    Column("gradings", "repeat", "integer", True, _REPEAT, "1", (1, 99)),
    Column("gradings", "side", "choice", True, "side of the patient", allowed=SIDES),
    Column("gradings", "zone_system", "choice", True, "which zones", allowed=tuple(ZONE_SYSTEMS)),
    Column("gradings", "zone", "id", True, "number of the zone in its system"),
    Column(
        "gradings",
        "state",
        "choice",
        True,
        "how much of the zone has a radiolucent line; not assessable is not the same as none",
        allowed=ZONE_STATES,
    ),
    Column("gradings", "width_mm", "number", False, "greatest width", "mm", (0, 30)),
    Column("gradings", "marked_at", "datetime", True, "when, UTC"),
    Column("grades", "image_id", "id", True, "graded on which image", refers="images"),
    Column("grades", "reader_id", "id", True, "who graded"),
    Column("grades", "repeat", "integer", True, _REPEAT, "1", (1, 99)),
    Column("grades", "side", "choice", True, "side of the patient", allowed=SIDES),
    Column("grades", "scale", "choice", True, "by which scale", allowed=tuple(GRADING_SCALES)),
    Column("grades", "part", "text", True, "part of the scale; whole where it has none"),
    Column("grades", "grade", "text", True, "the grade, or not assessable"),
    Column("grades", "marked_at", "datetime", True, "when, UTC"),
    Column("ct_doses", "patient_id", "id", True, "whose scan", refers="patients"),
    Column("ct_doses", "visit_id", "id", True, "for which visit", refers="schedule"),
    Column("ct_doses", "acquisition", "integer", True, "1 for the first of the visit, 2 …", "1", (1, 99)),
    Column("ct_doses", "examination", "integer", False, _EXAMINATION, "1", (1, 2)),
    Column(
        "ct_doses",
        "body_part",
        "choice",
        True,
        "what was scanned",
        allowed=("pelvis", "hip", "femur", "knee", "ankle", "leg"),
    ),
    Column("ct_doses", "ctdi_vol_mgy", "number", True, "volume CT dose index", "mGy", (0, 200)),
    Column(
        "ct_doses",
        "phantom",
        "choice",
        True,
        "phantom that the dose index holds for",
        allowed=("32 cm", "16 cm"),
    ),
    Column("ct_doses", "dlp_mgy_cm", "number", True, "dose length product", "mGy.cm", (0, 5000)),
    Column("ct_doses", "tube_voltage_kv", "number", False, "tube voltage", "kV", (60, 160)),
    Column(
        "ct_doses",
        "purpose",
        "choice",
        False,
        "whether the study or the patient's care asked for it",
        allowed=("research", "care"),
    ),
)

KEYS = {
    "images": ("image_id",),
    "gradings": ("image_id", "reader_id", "repeat", "side", "zone_system", "zone"),
    "grades": ("image_id", "reader_id", "repeat", "side", "scale", "part"),
    "ct_doses": ("patient_id", "visit_id", "acquisition"),
}
