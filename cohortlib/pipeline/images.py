"""The films of an invented study, made where they are missing or no longer what they should be."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import NamedTuple

from cohortlib.errors import study_error
from cohortlib.files import make_folder, write_whole
from cohortlib.pipeline.workers import parallel_results
from cohortlib.study import read_study
from cohortlib.synthetic.study_files import film_fingerprint, film_recipes, write_film
from cohortlib.tables import Study


class Film(NamedTuple):
    """One film to be made."""

    folder: Path
    image_id: str
    path: str


def make_images(folder: str | os.PathLike[str], *, workers: int = 2, progress: bool | None = None) -> int:
    """How many films were made; 0 if all of them are there and as they should be.

    Parameters
    ----------
    folder
        The folder of an invented study.
    workers
        Processes at a time.
    progress
        Whether to show a bar; None shows it at a terminal and nowhere else.

    Raises
    ------
    StudyError
        If the study is wrong, is not an invented one, or lists images that are not its films: nothing
        is written then, so that no image of a patient is ever replaced.

    Notes
    -----
    `derived/images.json` holds what each film was made from. A film is made again when its recipe, the
    anatomy or the source that draws it changed, or when the file has another size.
    """
    study = read_study(folder, readings=False)  # films come before readings
    films = _films(study)
    record_path = make_folder(study.folder / "derived") / "images.json"
    record = _read_record(record_path)
    wanted = {film.image_id: film_fingerprint(film.folder, film.image_id) for film in films}
    to_do = [film for film in films if record.get(film.image_id) != _state(film, wanted[film.image_id])]
    for film, _ in parallel_results(
        _make_film, to_do, workers=workers, title="Making films", progress=progress
    ):
        record[film.image_id] = _state(film, wanted[film.image_id])
        write_whole(record_path, json.dumps(dict(sorted(record.items())), indent=1) + "\n")
    return len(to_do)


def _films(study: Study) -> list[Film]:
    """The films that images.csv lists, all of them known to the generator under the same path."""
    if not study.synthetic:
        raise study_error(
            file="study.toml",
            column="synthetic",
            found="a study that is not marked as invented",
            expected="synthetic = true",
            remedy="Put the study's own images in their place; only an invented study's films are made",
        )
    known = film_recipes().set_index("image_id")["path"].to_dict()
    listed = dict(zip(study.images["image_id"], study.images["path"], strict=True))
    strange = [image_id for image_id, path in listed.items() if known.get(image_id) != path]
    if strange:
        raise study_error(
            file="tables/images.csv",
            column="image_id, path",
            found=f"{strange[0]}, {listed[strange[0]]}",
            count=len(strange),
            expected="the films of the demo study",
            remedy="Make films in the demo study only",
        )
    return [Film(study.folder.resolve(), image_id, path) for image_id, path in listed.items()]


def _make_film(film: Film) -> None:
    write_film(film.folder, film.image_id)


def _state(film: Film, fingerprint: str) -> dict[str, str | int]:
    path = film.folder / film.path
    return {"fingerprint": fingerprint, "bytes": path.stat().st_size if path.is_file() else -1}


def _read_record(path: Path) -> dict[str, dict[str, str | int]]:
    try:
        record = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) else {}
