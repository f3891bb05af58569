"""One film, measured in every reading and on every side with an implant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from cohortlib.dicom import read_radiograph
from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.measure.cup.film import cup_of_fit
from cohortlib.measure.cup.reading import Reading
from cohortlib.measure.cup.scale import ScaledFilm, scaled_film
from cohortlib.measure.cup.search import FilmFit, film_fit
from cohortlib.measure.cup_lines import cup_line_rows
from cohortlib.measure.head_scale import scale_of_head, scale_of_header
from cohortlib.measure.marked import rows_of_marks
from cohortlib.measure.marked_hip import marked_hip
from cohortlib.measure.scale import FilmScale
from cohortlib.quantities import QUANTITIES
from cohortlib.tables import MEASUREMENT_COLUMNS

#: What `cup_of_fit` gives, in its order.
CUP_QUANTITIES = ("inclination", "anteversion")
MISSING_FILE = "image file missing"

Row = list[Any]
#: Who read, and which time.
Key = tuple[str, int]


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
    sex: str = ""

    def readings(self) -> dict[Key, list[Mark]]:
        """The marks of each reading, in the order of readers and repeats."""
        keys = sorted({(mark.reader_id, mark.repeat) for mark in self.marks})
        return {key: [mark for mark in self.marks if (mark.reader_id, mark.repeat) == key] for key in keys}


def film_rows(task: FilmTask) -> list[Row]:
    """Measurement rows of one film in the order of `MEASUREMENT_COLUMNS`; a missing value is None.

    What cannot be measured is a row without a value whose note says why.

    Notes
    -----
    Of each hip and reading: both angles of the cup, the radiolucent lines along it, then what the marks alone
    tell, in millimetres of the one scale that the film has for this hip. On a film from before a hip's
    operation, a side without marks on an implant has no row of a cup: there is nothing to measure. On a later
    film the missing marks are a row with that note. Of a film that cannot be read nothing is given but the
    reason, once for each angle: `measurements_from_marks` works without films.
    """
    radiograph: Radiograph | str
    try:
        radiograph = read_radiograph(task.folder / task.path, name=task.path)
    except StudyError as error:
        radiograph = _one_line(error)
    return rows_of_readings(task, radiograph)


def rows_of_readings(task: FilmTask, radiograph: Radiograph | str) -> list[Row]:
    """As `film_rows`, with the film read, or with the reason why it is not."""
    rows, readings = [], task.readings()
    for hip in task.hips:
        fits = {
            key: _fit(radiograph, marks, hip)
            for key, marks in readings.items()
            if hip.operated or _marked_implant(marks, hip.side)
        }
        films = {key: fit.film for key, fit in fits.items() if isinstance(fit, FilmFit)}
        unread = isinstance(radiograph, str)
        scale = None if isinstance(radiograph, str) else hip_scale(radiograph, task, hip, films=films)
        for key, marks in readings.items():
            ids = [hip.hip_id, task.patient_id, task.visit_id, task.image_id, *key]
            values = [] if key not in fits else _rows_of_fit(fits[key], scale)
            values += [] if unread else _rows_of_marks(marks, hip, scale, task.sex)
            rows += [[*ids, *map(_kept, row)] for row in values]
    return rows


def hip_scale(
    radiograph: Radiograph, task: FilmTask, hip: Hip, *, films: Mapping[Key, ScaledFilm] | None = None
) -> FilmScale | None:
    """The scale of a hip on a film: by the first reading whose marks lead to its head, else by the header.

    Parameters
    ----------
    films
        What was found of the head already, by reading.
    """
    for key, marks in task.readings().items() if hip.operated else ():
        film = (films or {}).get(key)
        if film is None:
            try:
                reading = Reading.of(marks_of_hip(marks, hip.side), *hip[1:4])
                film = scaled_film(radiograph, reading)
            except StudyError:
                continue
        scale = scale_of_head(film)
        if scale is not None:
            return scale
    return scale_of_header(radiograph)


def _fit(radiograph: Radiograph | str, marks: list[Mark], hip: Hip) -> FilmFit | str:
    """The cup of one hip in one reading, or why it is not found."""
    if isinstance(radiograph, str):
        return radiograph
    try:
        return film_fit(
            radiograph,
            marks_of_hip(marks, hip.side),
            side=hip.side,
            head_diameter_mm=hip.head_diameter_mm,
            cup_diameter_mm=hip.cup_diameter_mm,
        )
    except StudyError as error:
        return _one_line(error)


def _rows_of_fit(fit: FilmFit | str, scale: FilmScale | None) -> list[Row]:
    """Rows from quantity to note of the cup of one hip in one reading."""
    if isinstance(fit, str):
        return [[name, "", None, QUANTITIES[name].unit, None, "", fit] for name in CUP_QUANTITIES]
    angles = cup_of_fit(fit)[list(MEASUREMENT_COLUMNS[6:])].astype(object).to_numpy().tolist()
    return [*angles, *cup_line_rows(fit, scale=scale)]


def _rows_of_marks(marks: list[Mark], hip: Hip, scale: FilmScale | None, sex: str) -> list[Row]:
    """Rows from quantity to note of what the marks of one reading tell of one hip."""
    own = marked_hip(
        pd.DataFrame(marks, columns=list(Mark._fields)),
        side=hip.side,
        head_diameter_mm=hip.head_diameter_mm if hip.operated else None,
        cup_diameter_mm=hip.cup_diameter_mm,
        scale=scale,
    )
    return rows_of_marks(own, sex=sex)


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


def _kept(cell: Any) -> Any:
    """A cell as it can be kept as text: a missing number is None."""
    return (
        None if isinstance(cell, float) and cell != cell else float(cell) if isinstance(cell, float) else cell
    )


def _one_line(error: StudyError) -> str:
    return " ".join(str(error).split("\n"))
