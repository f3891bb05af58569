"""The scale of every marked radiograph: from the head on its pixels, else from a calibrated header."""

from __future__ import annotations

from typing import Any

import pandas as pd

from cohortlib.dicom import read_radiograph
from cohortlib.errors import StudyError
from cohortlib.measure.scale import SCALE_COLUMNS
from cohortlib.pipeline.film import FilmTask, hip_scale
from cohortlib.pipeline.measuring import film_tasks
from cohortlib.pipeline.workers import parallel_results
from cohortlib.tables import Study


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
    Before its operation a hip has no head of known size. `measure_study` finds the same scales on its way.
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
    scales = {hip.side: hip_scale(radiograph, task, hip) for hip in task.hips}
    return [[task.image_id, side, *scale] for side, scale in scales.items() if scale is not None]
