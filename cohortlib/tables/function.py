"""What patients answer and how they walk."""

from __future__ import annotations

from cohortlib.tables.column import SIDES, YES_NO, Column

COLUMNS = (
    Column("answers", "patient_id", "id", True, "who answered", refers="patients"),
    Column("answers", "visit_id", "id", True, "at which visit", refers="schedule"),
    Column("answers", "instrument", "id", True, "one of [[instruments]] in study.toml", refers="instruments"),
    Column("answers", "item", "integer", True, "number of the question", "1", (1, 99)),
    Column("answers", "answer", "integer", False, "the answer's score; empty = not answered", "1"),
    Column("gait_trials", "trial_id", "id", True, "study number of the trial", unique=True),
    Column("gait_trials", "patient_id", "id", True, "who walked", refers="patients"),
    Column("gait_trials", "visit_id", "id", True, "at which visit", refers="schedule"),
    Column(
        "gait_trials",
        "speed_choice",
        "choice",
        True,
        "who set the speed: the patient, the protocol, or the patient's limit",
        allowed=("own", "fixed", "fastest"),
    ),
    Column("gait_trials", "speed_m_s", "number", True, "walking speed", "m/s", (0.1, 5)),
    Column("gait_trials", "incline_percent", "number", False, "slope; + = uphill", "%", (-40, 40)),
    Column("gait_trials", "walking_aid", "choice", False, "whether an aid was used", allowed=YES_NO),
    Column("gait_trials", "mass_kg", "number", False, "body mass on that day", "kg", (30, 250)),
    Column("gait_trials", "walked_on", "date", False, "the day of the trial, if not that of the visit"),
    Column("gait_curves", "trial_id", "id", True, "of which trial", refers="gait_trials"),
    Column("gait_curves", "side", "choice", True, "side of the patient", allowed=SIDES),
    Column("gait_curves", "signal", "id", True, "what the curve shows, such as vertical_force"),
    Column("gait_curves", "step", "integer", True, "number of the step in the trial", "1", (1, 9999)),
    Column(
        "gait_curves", "phase", "choice", True, "what 0 to 100 percent spans", allowed=("stance", "stride")
    ),
    Column("gait_curves", "phase_percent", "number", True, "place on the curve", "%", (0, 100)),
    Column("gait_curves", "value", "number", True, "height of the curve", "as in unit"),
    Column(
        "gait_curves",
        "unit",
        "choice",
        True,
        "UCUM code of the value",
        allowed=("N", "N/kg", "deg", "N.m", "N.m/kg", "W/kg", "mm"),
    ),
)

KEYS = {
    "answers": ("patient_id", "visit_id", "instrument", "item"),
    "gait_trials": ("trial_id",),
    "gait_curves": ("trial_id", "side", "signal", "step", "phase_percent"),
}
