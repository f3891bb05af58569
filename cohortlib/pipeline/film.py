"""One film, measured in every reading and on every side with an implant."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from cohortlib.dicom import read_radiograph
from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.measure.cup import cup_on_film
from cohortlib.quantities import QUANTITIES
from cohortlib.tables import MEASUREMENT_COLUMNS

#: What `cup_on_film` gives, in its order.
CUP_QUANTITIES = ("inclination", "anteversion")
MISSING_FILE = "image file missing"

Row = list[Any]


class Mark(NamedTuple):
    """One mark: whose, where."""

    reader_id: str
    repeat: int
    landmark: str
    side: str
    x_px: float
    y_px: float


class Hip(NamedTuple):
    """What of a hip its measurement needs."""

    hip_id: str
    side: str
    head_diameter_mm: float
    cup_diameter_mm: float | None
    operated: bool


@dataclass(frozen=True)
class FilmTask:
    """Everything that is needed to measure one film, light enough to travel to another process."""

    image_id: str
    patient_id: str
    visit_id: str
    folder: Path
    path: str
    hips: tuple[Hip, ...]
    marks: tuple[Mark, ...]


def film_rows(task: FilmTask) -> list[Row]:
    """Measurement rows of one film in the order of `MEASUREMENT_COLUMNS`; a missing value is None.

    What cannot be measured is a row without a value whose note says why.

    Notes
    -----
    On a film from before a hip's operation, a side without marks on an implant has no row: there is
    nothing to measure. On a later film the missing marks are a row with that note.
    """
    radiograph: Radiograph | str
    try:
        radiograph = read_radiograph(task.folder / task.path, name=task.path)
    except StudyError as error:
        radiograph = _one_line(error)
    return rows_of_readings(task, radiograph)


def rows_of_readings(task: FilmTask, radiograph: Radiograph | str) -> list[Row]:
    """As `film_rows`, with the film read, or with the reason why it is not."""
    rows = []
    for hip in task.hips:
        for reader_id, repeat in sorted({(mark.reader_id, mark.repeat) for mark in task.marks}):
            marks = [mark for mark in task.marks if (mark.reader_id, mark.repeat) == (reader_id, repeat)]
            if not hip.operated and not _marked_implant(marks, hip.side):
                continue
            ids = [hip.hip_id, task.patient_id, task.visit_id, task.image_id, reader_id, repeat]
            rows += [[*ids, *values] for values in _hip_values(radiograph, marks, hip)]
    return rows


def _hip_values(radiograph: Radiograph | str, marks: list[Mark], hip: Hip) -> list[Row]:
    """Rows from quantity to note of one hip in one reading."""
    if isinstance(radiograph, str):
        return _without_value(radiograph)
    try:
        table = cup_on_film(
            radiograph,
            marks_of_hip(marks, hip.side),
            side=hip.side,
            head_diameter_mm=hip.head_diameter_mm,
            cup_diameter_mm=hip.cup_diameter_mm,
        )
    except StudyError as error:
        return _without_value(_one_line(error))
    table = table[list(MEASUREMENT_COLUMNS[6:])].astype(object)
    return table.where(table.notna(), None).to_numpy().tolist()


def marks_of_hip(marks: list[Mark], side: str) -> pd.DataFrame:
    """One reading's marks for one hip: the teardrops of both sides, all else of the hip's own side.

    Returns
    -------
    DataFrame
        landmark (teardrop_left, teardrop_right, head_edge, cup_rim), x_px, y_px.
    """
    named = [
        (f"teardrop_{mark.side}" if mark.landmark == "teardrop" else mark.landmark, mark.x_px, mark.y_px)
        for mark in marks
        if mark.landmark == "teardrop" or mark.side == side
    ]
    return pd.DataFrame(named, columns=["landmark", "x_px", "y_px"])


def _marked_implant(marks: list[Mark], side: str) -> bool:
    return any(mark.side == side and mark.landmark in ("head_edge", "cup_rim") for mark in marks)


def _without_value(note: str) -> list[Row]:
    return [[name, "", None, QUANTITIES[name].unit, None, "", note] for name in CUP_QUANTITIES]


def _one_line(error: StudyError) -> str:
    return " ".join(str(error).split("\n"))
