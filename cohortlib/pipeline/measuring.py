"""Every radiograph of a study, measured: what is known is taken from before, the rest in parallel."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.files import make_folder
from cohortlib.pipeline.cache import (
    ImageState,
    film_key,
    image_state,
    kept_path,
    measuring_source,
    read_kept,
    write_kept,
)
from cohortlib.pipeline.film import MISSING_FILE, FilmTask, Hip, Mark, Row, film_rows, rows_of_readings
from cohortlib.pipeline.workers import parallel_results
from cohortlib.tables import MEASUREMENT_COLUMNS, Study

_DTYPES = {"repeat": "Int64", "value": "float64", "sd": "float64"}


def measure_study(study: Study, *, workers: int = 2, progress: bool | None = None) -> pd.DataFrame:
    """Everything that is measured of every marked radiograph: each hip in each reading.

    Parameters
    ----------
    study
        From `read_study`.
    workers
        Processes at a time.
    progress
        Whether to show a bar; None shows it at a terminal and nowhere else.

    Returns
    -------
    DataFrame
        The columns of `MEASUREMENT_COLUMNS`: hip_id, patient_id, visit_id, image_id, reader_id,
        repeat, quantity, zone, value, unit, sd, method, note. Rows follow the tables: images, hips of
        the patient, readers, repeats; of each reading the angles of the cup and the lines along it, from
        the pixels, then what `measurements_from_marks` gives with `film_scales`. A film that cannot be
        read or measured has rows without a value whose note says why; an image without marks has no rows,
        and one that cannot be read none but those of the angles.

    Raises
    ------
    StudyError
        If the folder `derived` of the study cannot be written to, or a worker process was ended.

    Notes
    -----
    Every film's rows are kept as text in `derived/measurements` as soon as they are there, so a run
    that was interrupted goes on where it stopped. They are computed again when the image, a mark, a
    size in hips.csv or the source of the measurement changed.

    Example
    -------
    >>> from cohortlib.study import read_study
    >>> study = read_study("synthetic_cohort")  # doctest: +SKIP
    >>> measurements = measure_study(study)  # doctest: +SKIP
    >>> measurements.groupby("quantity")["value"].describe()  # doctest: +SKIP
    """
    folder = _folder(study)
    rows_of, to_do = _plan(study)
    for task, rows in parallel_results(
        film_rows,
        [task for task, _, _ in to_do.values()],
        workers=workers,
        title="Measuring radiographs",
        progress=progress,
    ):
        _, image, key = to_do[task.image_id]
        write_kept(kept_path(folder, task.image_id), key=key, image=image, rows=rows)
        rows_of[task.image_id] = rows
    return _table([row for rows in rows_of.values() for row in rows])


def measured_once(study: Study, *, workers: int = 2, progress: bool | None = None) -> pd.DataFrame:
    """The same as `measure_study`, worked out anew and kept nowhere: of readings that are still blinded."""
    rows_of: dict[str, list[Row]] = {task.image_id: [] for task in film_tasks(study)}
    for task, rows in parallel_results(
        film_rows, list(film_tasks(study)), workers=workers, title="Measuring radiographs", progress=progress
    ):
        rows_of[task.image_id] = rows
    return _table([row for rows in rows_of.values() for row in rows])


def films_to_measure(study: Study) -> list[str]:
    """Ids of the images that `measure_study` would measure now, because nothing is kept of them."""
    return list(_plan(study)[1])


def _folder(study: Study) -> Path:
    return make_folder(study.folder / "derived" / "measurements")


def _plan(study: Study) -> tuple[dict[str, list[Row]], dict[str, tuple[FilmTask, ImageState, str]]]:
    """Rows by image in the order of the table, still empty for those that are to be measured; and these."""
    folder, source = _folder(study), measuring_source()
    rows_of: dict[str, list[Row]] = {}
    to_do: dict[str, tuple[FilmTask, ImageState, str]] = {}
    for task in film_tasks(study):
        kept = read_kept(kept_path(folder, task.image_id))
        try:
            image = image_state(task.folder / task.path, kept)
        except OSError as error:
            missing = isinstance(error, FileNotFoundError)
            reason = MISSING_FILE if missing else f"image file cannot be opened ({error.strerror})"
            rows_of[task.image_id] = rows_of_readings(task, reason)
            continue
        key = film_key(task, image, source=source)
        if kept.get("key") != key:
            rows_of[task.image_id], to_do[task.image_id] = [], (task, image, key)
            continue
        rows_of[task.image_id] = kept["rows"]
        if image != kept["image"]:  # same pixels with another date: remember, or hash them every time
            write_kept(kept_path(folder, task.image_id), key=key, image=image, rows=kept["rows"])
    return rows_of, to_do


def film_tasks(study: Study) -> Iterator[FilmTask]:
    """One task a marked radiograph, in the order of the images table."""
    marks = {
        str(image_id): tuple(
            Mark(str(reader), int(repeat), str(landmark), str(side), float(x), float(y))
            for reader, repeat, landmark, side, x, y in zip(
                *(table[name] for name in Mark._fields), strict=True
            )
        )
        for image_id, table in study.landmarks.groupby("image_id", sort=False)
    }
    hips = dict(list(study.hips.groupby("patient_id", sort=False)))
    days = study.visits.set_index(["patient_id", "visit_id"])["date"].to_dict()
    sexes = study.patients.set_index("patient_id")["sex"].to_dict()
    for image in study.images.to_dict("records"):
        if image["kind"] != "radiograph" or image["image_id"] not in marks:
            continue
        day = days.get((image["patient_id"], image["visit_id"]))
        table = hips.get(image["patient_id"])
        yield FilmTask(
            image_id=image["image_id"],
            patient_id=image["patient_id"],
            visit_id=image["visit_id"],
            folder=study.folder.resolve(),
            path=image["path"],
            hips=() if table is None else tuple(_hip(row, day) for row in table.to_dict("records")),
            marks=marks[image["image_id"]],
            sex=str(sexes.get(image["patient_id"], "")),
        )


def _hip(row: dict[Any, Any], day: pd.Timestamp | None) -> Hip:
    cup = row["cup_diameter_mm"]
    return Hip(
        hip_id=row["hip_id"],
        side=row["side"],
        head_diameter_mm=float(row["head_diameter_mm"]),
        cup_diameter_mm=None if pd.isna(cup) else float(cup),
        operated=day is None or row["surgery_date"] <= day,
    )


def _table(rows: list[Row]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=list(MEASUREMENT_COLUMNS))
    return table.astype({name: _DTYPES.get(name, "str") for name in MEASUREMENT_COLUMNS})
