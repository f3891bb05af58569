"""What a film says of how it was taken: view, position, beam, spacing and scale, kept below the study."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from cohortlib.dicom import read_radiograph
from cohortlib.errors import StudyError
from cohortlib.files import make_folder, write_whole
from cohortlib.pipeline.cache import film_key, image_state, measuring_source
from cohortlib.pipeline.digests import source_digest
from cohortlib.pipeline.film import FilmTask, hip_scale
from cohortlib.pipeline.workers import parallel_results

KEPT = "film_facts.json"
#: What a film says of itself: facts that no reader's choice changes.
OF_THE_FILM = (
    "view",
    "position",
    "spacing_source",
    "source_to_detector_mm",
    "beam_x_mm",
    "beam_y_mm",
    "column_mm",
    "row_mm",
    "scale_source",
    "magnification",
    "note",
)


def facts_of_film(task: FilmTask) -> dict[str, Any]:
    """`OF_THE_FILM` of one film; of one that cannot be read nothing but the note."""
    empty = dict.fromkeys(OF_THE_FILM, "") | dict.fromkeys(
        ("source_to_detector_mm", "beam_x_mm", "beam_y_mm", "column_mm", "row_mm", "magnification")
    )
    try:
        film = read_radiograph(task.folder / task.path, name=task.path)
    except StudyError as error:
        return {**empty, "note": " ".join(str(error).split("\n"))}
    scales = [scale for scale in (hip_scale(film, task, hip) for hip in task.hips) if scale is not None]
    row_mm, column_mm = film.spacing_mm or (None, None)
    larger = [column_mm / scale.x_mm_per_px for scale in scales] if column_mm else []
    at_detector = film.spacing_source == "detector" and larger
    beam = film.mm(film.beam_centre_px) if film.beam_centre_px and film.spacing_mm else (None, None)
    return {
        **empty,
        "view": film.view,
        "position": film.position,
        "spacing_source": film.spacing_source,
        "source_to_detector_mm": film.source_to_detector_mm,
        "beam_x_mm": None if beam[0] is None else float(beam[0]),
        "beam_y_mm": None if beam[1] is None else float(beam[1]),
        "column_mm": column_mm,
        "row_mm": row_mm,
        "scale_source": " and ".join(dict.fromkeys(scale.source for scale in scales)),
        "magnification": float(np.mean(larger)) if at_detector else None,
    }


def facts_of_films(
    folder: Path, tasks: list[FilmTask], *, workers: int, progress: bool | None
) -> dict[str, dict[str, Any]]:
    """`OF_THE_FILM` by image in the order of the tasks, from before as far as it holds, the rest anew.

    Parameters
    ----------
    folder
        Of the study: the facts are kept in `derived/film_facts.json`.
    tasks
        From `measuring.film_tasks`.
    workers, progress
        As for `measure_study`.

    Raises
    ------
    StudyError
        If the folder `derived` cannot be written to, or a worker process was ended.
    """
    path = make_folder(folder / "derived") / KEPT
    before, source = _read_kept(path), measuring_source() + source_digest("pipeline/film_facts.py")
    kept: dict[str, dict[str, Any]] = {}
    to_do: list[FilmTask] = []
    for task in tasks:
        known = before.get(task.image_id, {})
        try:
            image = image_state(task.folder / task.path, known)
        except OSError:
            image = {"sha256": ""}  # the reason is told where the film is read
        entry = {"key": film_key(task, image, source=source), "image": image}
        if known.get("key") == entry["key"] and set(known["facts"]) == set(OF_THE_FILM):
            entry["facts"] = known["facts"]
        else:
            to_do.append(task)
        kept[task.image_id] = entry
    for task, facts in parallel_results(
        facts_of_film, to_do, workers=workers, title="Reading how films were taken", progress=progress
    ):
        kept[task.image_id]["facts"] = facts
    if kept != {name: before.get(name) for name in kept}:
        text = json.dumps({**before, **kept}, ensure_ascii=False, allow_nan=False, indent=1, sort_keys=True)
        write_whole(path, text + "\n")
    return {image_id: entry["facts"] for image_id, entry in kept.items()}


def _read_kept(path: Path) -> dict[str, dict[str, Any]]:
    try:
        kept = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    if not isinstance(kept, dict):
        return {}
    return {
        name: one
        for name, one in kept.items()
        if isinstance(one, dict) and isinstance(one.get("facts"), dict)
    }
