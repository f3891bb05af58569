"""What went wrong and who left: events of patients and hips."""

from __future__ import annotations

from cohortlib.tables.column import SIDES, Column

EVENTS = ("revision", "reoperation", "adverse event", "device deficiency", "death", "withdrawal", "lost")
#: Four levels of relation (ISO 14155:2020, from memory).
RELATIONS = ("not related", "possible", "probable", "causal")

_RELATION = "relation to the {}; empty = not judged yet"

COLUMNS = (
    Column("events", "event_id", "id", True, "study number of the event", unique=True),
    Column("events", "patient_id", "id", True, "to whom", refers="patients"),
    Column("events", "side", "choice", False, "of which hip, if of one", allowed=SIDES),
    Column("events", "event", "choice", True, "what happened", allowed=EVENTS),
    Column("events", "date", "date", True, "when; of a patient lost, the last contact"),
    Column("events", "description", "text", False, "in a few words, without names"),
    Column(
        "events",
        "seriousness",
        "choice",
        False,
        "whether serious; empty = not judged yet, which is not the same as no",
        allowed=("serious", "not serious"),
    ),
    Column("events", "device_relation", "choice", False, _RELATION.format("device"), allowed=RELATIONS),
    Column("events", "procedure_relation", "choice", False, _RELATION.format("operation"), allowed=RELATIONS),
    Column(
        "events",
        "expectedness",
        "choice",
        False,
        "whether the study's documents foresee it; empty = not judged yet",
        allowed=("expected", "not expected"),
    ),
    Column("events", "reported_on", "date", False, "the day the study heard of it"),
    Column("events", "resolved_on", "date", False, "the day it was over"),
)

KEYS = {"events": ("event_id",)}
