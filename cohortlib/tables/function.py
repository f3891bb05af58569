"""What patients answer and how they walk."""

from __future__ import annotations

from cohortlib.tables.column import SIDES, Column
from cohortlib.tables.signals import SIGNAL_UNITS, SIGNALS

#: Who set the speed of a walking trial: the patient, the protocol, or the patient's limit.
SPEED_CHOICES = ("self-selected", "fixed", "top")
WALKING_AIDS = ("none", "one stick or crutch", "two sticks or crutches", "frame", "handrail", "other")
_SPEED = "whether the patient or the protocol set the speed, or the patient walked as fast as possible"
_WALKED_ON = "the day of the trial, if not that of the visit"
_LEG = "height of the hip joint above the ground"
_STEP = "number of the step in the trial; 0 = the mean of its steps"
_PHASE = "what 0 to 100 percent span: foot down to foot up (stance), or to the same foot down again (stride)"

COLUMNS = (
    Column("answers", "patient_id", "id", True, "who answered", refers="patients"),
    Column("answers", "visit_id", "id", True, "at which visit", refers="schedule"),
    Column("answers", "instrument", "id", True, "one of [[instruments]] in study.toml", refers="instruments"),
    Column("answers", "item", "integer", True, "number of the question", "1", (1, 99)),
    Column("answers", "answer", "integer", False, "the answer's score; empty = not answered", "1"),
    Column("gait_trials", "trial_id", "id", True, "study number of the trial", unique=True),
    Column("gait_trials", "patient_id", "id", True, "who walked", refers="patients"),
    Column("gait_trials", "visit_id", "id", True, "at which visit", refers="schedule"),
    Column("gait_trials", "speed_choice", "choice", True, _SPEED, allowed=SPEED_CHOICES),
    Column("gait_trials", "speed_m_s", "number", True, "walking speed", "m/s", (0.1, 5)),
    Column("gait_trials", "incline_percent", "number", False, "slope (+ = uphill)", "%", (-40, 40)),
    Column("gait_trials", "surface", "choice", False, "on what", allowed=("treadmill", "ground")),
    Column("gait_trials", "walking_aid", "choice", False, "with which aid", allowed=WALKING_AIDS),
    Column("gait_trials", "mass_kg", "number", False, "body mass on that day", "kg", (30, 250)),
    Column("gait_trials", "leg_length_mm", "number", False, _LEG, "mm", (500, 1300)),
    Column("gait_trials", "walked_on", "date", False, _WALKED_ON),
    Column("gait_curves", "trial_id", "id", True, "of which trial", refers="gait_trials"),
    Column("gait_curves", "side", "choice", True, "leg of the patient", allowed=SIDES),
    Column("gait_curves", "signal", "choice", True, "what the curve shows", allowed=tuple(SIGNALS)),
    Column("gait_curves", "step", "integer", True, _STEP, "1", (0, 9999)),
    Column("gait_curves", "phase", "choice", True, _PHASE, allowed=("stance", "stride")),
    Column("gait_curves", "phase_percent", "number", True, "place on the curve", "%", (0, 100)),
    Column("gait_curves", "value", "number", True, "height of the curve", "as in unit"),
    Column("gait_curves", "unit", "choice", True, "UCUM code of the value", allowed=SIGNAL_UNITS),
)

KEYS = {
    "answers": ("patient_id", "visit_id", "instrument", "item"),
    "gait_trials": ("trial_id",),
    "gait_curves": ("trial_id", "side", "signal", "step", "phase", "phase_percent"),
}
