"""Everything that the browser is told of a film, and nothing else.

No id of an image, item, patient or reader, no path, no date, no header, no earlier reading: what is not
named here does not leave the kernel.
"""

from __future__ import annotations

from typing import Any

from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.tables import ZONE_STATES
from cohortlib.tables.grading_scales import GRADING_SCALES, grades_of
from cohortlib.widgets.pad.plan import MarkStep, ScaleStep, Step, missing
from cohortlib.widgets.pad.proposing import Proposing, Shown

#: Signs that are there or not have their buttons and keys in this order on every line.
_ONE_ORDER = ("absent", "uncertain", "present")


def scene_of(sitting: Proposing) -> dict[str, Any]:
    """What is to be seen, as JSON; the browser asks for the pixels when `film` changes."""
    scene: dict[str, Any] = {
        "film": sitting.views,
        "number": sitting.number,
        "of": sitting.of,
        "finished": sitting.finished,
        "pause": sitting.pause,
        "states": list(ZONE_STATES),
        "marks": [],
        "steps": [],
        "zones": [],
        "asked": sitting.asked,
        "missing": sitting.missing(),
        "undo": False,
        "redo": False,
        "shape": _shape(sitting.radiograph),
        "proposes": sitting.proposes,
        "proposal": _proposal(sitting.proposal),
    }
    if sitting.radiograph is None:
        return scene
    sheet = sitting.sheet
    scene["undo"], scene["redo"] = sheet.can_undo, sheet.can_redo
    scene["marks"] = [{"mark": number, **mark._asdict()} for number, mark in sheet.marks.items()]
    scene["steps"] = [_step(step, sitting) for step in sitting.steps]
    scene["zones"] = _zones(sitting)
    return scene


def _shape(radiograph: Radiograph | None) -> dict[str, Any] | None:
    """How large a pixel is, so that lengths can be shown; from a film without spacing, only its shape."""
    if radiograph is None:
        return None
    row_mm, column_mm = radiograph.spacing_mm or (None, None)
    return {"row_mm": row_mm, "column_mm": column_mm}


def _proposal(shown: Shown | None) -> dict[str, Any] | None:
    """A proposal as it is drawn, and how far it may be trusted."""
    if shown is None:
        return None
    return {
        "outline": shown.outline_px.round(2).tolist(),
        "marks": shown.marks_px.round(2).tolist(),
        "words": shown.words,
    }


def _step(step: Step, sitting: Proposing) -> dict[str, Any]:
    done = sitting.sheet.done
    words = {**step._asdict(), "words": step.words, "heading": step.heading, "left": missing(step, done)}
    if isinstance(step, MarkStep):
        return {"kind": "mark", **words, "done": done[step.side, step.landmark]}
    if isinstance(step, ScaleStep):
        on_scale = sitting.sheet.scale_grades.get((step.side, step.scale, step.part))
        return {"kind": "scale", **words, "grade": on_scale and on_scale.grade, "grades": _grades(step)}
    grade = sitting.sheet.grades.get((step.side, step.zone_system, step.zone))
    said = {"state": None, "width_mm": None} if grade is None else grade._asdict()
    return {"kind": "zone", **words, **said}


def _grades(step: ScaleStep) -> list[dict[str, str]]:
    """What may be said, in the order of the buttons, and what it means."""
    words = GRADING_SCALES[step.scale].words
    grades = grades_of(step.scale, step.part)
    if set(_ONE_ORDER) <= set(grades):  # what is good for a stem is here a sign, there its absence
        grades = (*_ONE_ORDER, *(grade for grade in grades if grade not in _ONE_ORDER))
    return [{"grade": grade, "words": words.get(grade, grade)} for grade in grades]


def _zones(sitting: Proposing) -> list[dict[str, Any]]:
    try:
        table = sitting.zones()
    except StudyError:
        return []  # `Sitting.zones` says what is wrong; marking goes on without outlines
    found = []
    for (side, system, zone), rows in table.groupby(["side", "zone_system", "zone"], sort=False):
        corners = [[float(x), float(y)] for x, y in zip(rows["x_px"], rows["y_px"], strict=True)]
        found.append({"side": side, "zone_system": system, "zone": str(zone), "corners": corners})
    return found


def reader_words(error: StudyError) -> str:
    """Why something was not done and what to do, without the place: files are not for the reader."""
    rows = error.problems.to_dict("records")
    return " ".join(f"{row['found']}. Expected {row['expected']}. {row['remedy']}." for row in rows[:3])
