"""The scale of every marked radiograph: from the head on its pixels, else from a calibrated header."""

from __future__ import annotations

from typing import Any

import pandas as pd

from cohortlib.dicom import read_radiograph
from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.measure.cup.reading import Reading
from cohortlib.measure.cup.scale import scaled_film
from cohortlib.measure.scale import SCALE_COLUMNS
from cohortlib.pipeline.film import FilmTask, Hip, marks_of_hip
from cohortlib.pipeline.measuring import film_tasks
from cohortlib.pipeline.workers import parallel_results
from cohortlib.tables import Study

HEAD = "head of known diameter, by its edge on the film"
#: What the edge of a head leaves: blur acts on exposure and makes heads of stemmed hips 0.7 to 1.2 % small
#: (measured on the demonstration films).
HEAD_RELATIVE_SD = 0.012
#: Spread of scales from the header [part of the scale]: markers err by 6 to 17 %, assumed distances by 5 to
#: 12 % at most.
_CALIBRATED = {"calibrated object": 0.05, "calibrated geometry": 0.04, "calibrated, method not stated": 0.06}
#: A head that measures so much less or more than its label at the detector is none.
_MAGNIFICATIONS = (0.9, 1.5)


def film_scales(study: Study, *, workers: int = 2, progress: bool | None = None) -> pd.DataFrame:
    """Millimetres of the patient for a pixel, of every marked radiograph and study hip.

    Parameters
    ----------
    study
        From `read_study`; its images are read.
    workers
        Processes at a time.
    progress
        Whether to show a bar; None shows it at a terminal and nowhere else.

    Returns
    -------
    DataFrame
        The columns of `measure.scale.SCALE_COLUMNS`, for `measurements_from_marks`. A film without a scale of
        that kind has no row: a spacing at the detector is none, for it is not corrected for magnification.

    Raises
    ------
    StudyError
        If a worker process was ended.

    Notes
    -----
    The first reading with marks on head and rim says where the head is; its size comes from the pixels.
    """
    tasks = [task for task in film_tasks(study) if (task.folder / task.path).is_file()]
    rows = {
        task.image_id: found
        for task, found in parallel_results(
            scale_rows, tasks, workers=workers, title="Finding scales", progress=progress
        )
    }
    flat = [row for task in tasks for row in rows[task.image_id]]
    return pd.DataFrame(flat, columns=list(SCALE_COLUMNS))


def scale_rows(task: FilmTask) -> list[list[Any]]:
    """Rows of one film in the order of `SCALE_COLUMNS`."""
    try:
        radiograph = read_radiograph(task.folder / task.path, name=task.path)
    except StudyError:
        return []  # said where the film is measured
    rows = []
    for hip in task.hips:
        row = _of_head(radiograph, task, hip) or _of_header(radiograph)
        if row is not None:
            rows.append([task.image_id, hip.side, *row])
    return rows


def _of_head(radiograph: Radiograph, task: FilmTask, hip: Hip) -> list[Any] | None:
    for reader, repeat in sorted({(mark.reader_id, mark.repeat) for mark in task.marks}):
        marks = [mark for mark in task.marks if (mark.reader_id, mark.repeat) == (reader, repeat)]
        try:
            reading = Reading.of(
                marks_of_hip(marks, hip.side), hip.side, hip.head_diameter_mm, hip.cup_diameter_mm
            )
            film = scaled_film(radiograph, reading)
        except StudyError:
            continue
        low, high = _MAGNIFICATIONS
        if film.has_spacing and not low <= film.magnification <= high:
            continue
        x_mm, y_mm = (size / film.magnification for size in film.mm_per_px)
        return [float(x_mm), float(y_mm), HEAD_RELATIVE_SD, HEAD]
    return None


def _of_header(radiograph: Radiograph) -> list[Any] | None:
    relative = _CALIBRATED.get(radiograph.spacing_source)
    if relative is None or radiograph.spacing_mm is None:
        return None
    row_mm, column_mm = radiograph.spacing_mm
    return [float(column_mm), float(row_mm), relative, f"header, {radiograph.spacing_source}"]
