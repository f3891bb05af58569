"""How every marked film was taken, as one table: what it says of itself, and what a reader's marks tell."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.image import Radiograph
from cohortlib.measure.comparability import FILM_FACTS
from cohortlib.pipeline.film import FilmTask
from cohortlib.pipeline.film_facts import facts_of_films
from cohortlib.pipeline.measuring import film_tasks
from cohortlib.tables import Study

_TILT, _ROTATION = "pelvic_tilt", "pelvic_rotation"
_TO_LEFT = {"left": 1.0, "right": -1.0}


def film_technique(
    study: Study,
    measurements: pd.DataFrame,
    *,
    reader_id: str,
    repeat: int = 1,
    workers: int = 2,
    progress: bool | None = None,
) -> pd.DataFrame:
    """How every marked radiograph was taken, as header, images.csv and one reader's marks tell: a row a film.

    Parameters
    ----------
    study
        From `read_study`; its images are read.
    measurements
        From `measure_study`: tilt and rotation of the pelvis are taken from it.
    reader_id, repeat
        Whose teardrops, tilt and rotation. No default: films are compared in one reader's eyes.
    workers, progress
        As for `measure_study`.

    Returns
    -------
    DataFrame
        image_id, patient_id, visit_id, then `measure.comparability.FILM_FACTS`, then note; for
        `technique_changes`. Beam: from the middle between the teardrops to where the central ray meets the
        film, + to the patient's left and to the head, in the millimetres of the film's own spacing.
        Rotation: + front to the patient's left. What is not known is empty.

    Raises
    ------
    StudyError
        If the reader marked no film that way, the folder `derived` cannot be written to, or a worker process
        was ended.

    Notes
    -----
    View and position are those of the header, else of images.csv; where both speak and differ the fact is
    empty, and the note gives both. Tilt and rotation are estimates and the mean over the hips of a film.
    Magnification is the mean over hips too, and known only where a head gave the scale and the spacing is
    that at the detector. What a film says of itself is kept in `derived/film_facts.json`.
    """
    tasks = {task.image_id: task for task in film_tasks(study)}
    own = {image_id for image_id, task in tasks.items() if (reader_id, repeat) in task.readings()}
    if not own:
        raise study_error(
            file="tables/landmarks.csv",
            column="reader_id, repeat",
            found=f"{reader_id}, {repeat}",
            expected="a reader with marks, and which reading",
            remedy="Name one of " + ", ".join(sorted(study.landmarks["reader_id"].unique())),
        )
    marked = [task for image_id, task in tasks.items() if image_id in own]
    of_films = facts_of_films(study.folder, marked, workers=workers, progress=progress)
    table = study.images.set_index("image_id")
    posed = _poses(study, measurements, reader_id=reader_id, repeat=repeat)
    rows = []
    for image_id, film in of_films.items():
        task = tasks[image_id]
        listed = {name: _text(table.at[image_id, name]) for name in ("view", "position")}
        said = {name: _agreed(film[name], listed[name]) for name in listed}
        notes = [film["note"]] + [
            f"{name}: header says {film[name]}, images.csv {listed[name]}"
            for name in listed
            if film[name] and listed[name] and film[name] != listed[name]
        ]
        rows.append(
            {
                "image_id": image_id,
                "patient_id": task.patient_id,
                "visit_id": task.visit_id,
                **{name: film[name] for name in ("scale_source", "source_to_detector_mm", "magnification")},
                **said,
                **_beam(film, task, (reader_id, repeat)),
                **posed.get(image_id, {}),
                "note": "; ".join(note for note in notes if note),
            }
        )
    columns = ["image_id", "patient_id", "visit_id", *FILM_FACTS, "note"]
    words = {"image_id", "patient_id", "visit_id", "view", "position", "scale_source", "note"}
    found = pd.DataFrame(rows, columns=columns)
    return found.astype({name: "str" if name in words else "float64" for name in columns})


def _beam(film: dict[str, Any], task: FilmTask, reading: tuple[str, int]) -> dict[str, float]:
    """Where the central ray passes the middle between the teardrops of one reading."""
    drops = [mark for mark in task.readings()[reading] if mark.landmark == "teardrop"]
    if film["beam_x_mm"] is None or {mark.side for mark in drops} != {"left", "right"}:
        return {}
    blank = Radiograph(
        np.zeros((1, 1), dtype=np.float32), (film["row_mm"], film["column_mm"]), film["spacing_source"]
    )
    by_side = [
        blank.mm([(mark.x_px, mark.y_px) for mark in drops if mark.side == side]).mean(axis=0)
        for side in ("left", "right")
    ]
    middle = np.mean(by_side, axis=0)
    return {
        "beam_left_mm": float(film["beam_x_mm"] - middle[0]),
        "beam_proximal_mm": float(film["beam_y_mm"] - middle[1]),
    }


def _poses(
    study: Study, measurements: pd.DataFrame, *, reader_id: str, repeat: int
) -> dict[str, dict[str, float]]:
    """Tilt and rotation by image, the mean over its hips."""
    rows = measurements[
        measurements["reader_id"].eq(reader_id)
        & measurements["repeat"].eq(repeat)
        & measurements["quantity"].isin([_TILT, _ROTATION])
    ]
    turn = rows["hip_id"].map(study.hips.set_index("hip_id")["side"]).map(_TO_LEFT)
    values = rows["value"].where(rows["quantity"].eq(_TILT), rows["value"] * turn)
    means = rows.assign(value=values).groupby(["image_id", "quantity"])["value"].mean().unstack("quantity")
    named = means.rename(columns={_TILT: "pelvic_tilt_deg", _ROTATION: "pelvic_rotation_deg"})
    return {
        str(image_id): {str(name): float(value) for name, value in row.items()}
        for image_id, row in named.to_dict("index").items()
    }


def _agreed(header: str, listed: str) -> str:
    """What header and table say; nothing where they differ."""
    return header or listed if not (header and listed and header != listed) else ""


def _text(cell: object) -> str:
    return "" if pd.isna(cell) else str(cell)  # type: ignore[call-overload]
