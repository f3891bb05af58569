"""The study on disk, all from one seed: tables and truth, the list of films, and each film.

The same seed and anatomy give the same bytes.
"""

from __future__ import annotations

import ast
import hashlib
import json
import os
from dataclasses import asdict
from functools import cache
from pathlib import Path

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.synthetic import (
    answers,
    cohort,
    densitometry,
    events,
    examinations,
    findings,
    fixation_grades,
    gradings,
    plans,
    readers,
)
from cohortlib.synthetic.anatomy import Anatomy, read_anatomy
from cohortlib.synthetic.bone_density import true_density
from cohortlib.synthetic.dx import write_dx
from cohortlib.synthetic.film import film_pixels, true_landmarks, true_pose
from cohortlib.synthetic.hips import hip_table
from cohortlib.synthetic.ossification_grades import ossification_table
from cohortlib.synthetic.truth import truth_table
from cohortlib.tables import DICTIONARY
from cohortlib.tables.spreadsheet import study_csv

SEED = 2030
WRITTEN = (
    "patients",
    "hips",
    "plans",
    "visits",
    "images",
    "landmarks",
    "gradings",
    "grades",
    "answers",
    "densitometry",
    "events",
)
#: These decide what is in a recipe and where landmarks lie, not what a recipe looks like on a film.
_RECIPE_WRITERS = {
    "answers",
    "beginner",
    "bone_density",
    "bony_points",
    "cohort",
    "densitometry",
    "events",
    "examinations",
    "findings",
    "fixation_grades",
    "further_landmarks",
    "further_marks",
    "gradings",
    "happenings",
    "hips",
    "neck",
    "odd_films",
    "ossification_grades",
    "patch",
    "plans",
    "readers",
    "study_files",
    "true_outlines",
    "truth",
}


def make_study(folder: Path | str, *, seed: int = SEED) -> None:
    """Write tables/*.csv, truth.csv and truth_landmarks.csv; study.toml is written by hand.

    Parameters
    ----------
    folder
        The study folder, with the meshes in its folder `anatomy`. Tables already there are replaced.
    seed
        Everything follows from it.
    """
    folder = Path(folder)
    tables = study_tables(folder, seed=seed)
    for name in WRITTEN:
        columns = [column for column in DICTIONARY[name] if column in tables[name]]
        _write_csv(tables[name][columns], folder / "tables" / f"{name}.csv")
    _write_csv(tables["truth"], folder / "truth.csv")
    _write_csv(tables["points"].round({"x_px": 3, "y_px": 3}), folder / "truth_landmarks.csv")


def study_tables(folder: Path | str, *, seed: int = SEED) -> dict[str, pd.DataFrame]:
    """The tables of the study with their columns of truth, and `truth` and `points` beside them.

    Parameters
    ----------
    folder
        The study folder, for its `anatomy`.
    seed
        As for `make_study`.

    Returns
    -------
    dict
        Those of `WRITTEN` · latent: from `answers.latent_scores` · findings, lines: from `findings` ·
        signs: from `fixation_grades.true_grades` · truth: from `truth.truth_table` ·
        points: image_id, landmark, side, x_px, y_px, visible; where everything truly lies.
    """
    tables = dict(_cohort(seed))
    films = film_recipes(seed=seed)
    anatomy = _anatomy(Path(folder) / "anatomy")
    points, poses = [], []
    for image_id, recipe in zip(films["image_id"], films["recipe"], strict=True):
        points.append(true_landmarks(recipe, anatomy).assign(image_id=image_id))
        poses.append(true_pose(recipe, anatomy).assign(image_id=image_id))
    columns = ["image_id", "landmark", "side", "x_px", "y_px", "visible"]
    tables["points"] = pd.concat(points, ignore_index=True)[columns]
    tables["poses"] = pd.concat(poses, ignore_index=True)
    operated = films.loc[films["visit_id"].ne("before"), "image_id"]
    spacing_mm = tables["images"].set_index("image_id")["spacing_mm"]
    readings = readers.reading_table(operated, seed=seed)
    tables["landmarks"] = readers.mark_table(readings, tables["points"], spacing_mm, seed=seed)
    tables["lines"] = findings.true_lines(
        films[films["visit_id"] != "before"], tables["hips"], tables["findings"]
    )
    tables["gradings"] = gradings.grading_table(tables["lines"], seed=seed)
    put_in = tables["poses"][tables["poses"]["quantity"] == "ossification"]
    sunk = tables["poses"][tables["poses"]["quantity"] == "subsidence"]
    tables["signs"] = fixation_grades.true_grades(tables["lines"], sunk, seed=seed)
    tables["grades"] = pd.concat(
        [
            ossification_table(tables["gradings"], put_in, seed=seed),
            fixation_grades.fixation_table(tables["gradings"], tables["signs"], sunk, seed=seed),
        ],
        ignore_index=True,
    )
    tables["truth"] = truth_table(tables, seed=seed)
    return tables


def film_recipes(*, seed: int = SEED) -> pd.DataFrame:
    """One row a film to be made.

    Returns
    -------
    DataFrame
        image_id, patient_id, visit_id, study_date, path (below the study folder), recipe (FilmRecipe).
    """
    return _films(seed).copy()


@cache
def _films(seed: int) -> pd.DataFrame:
    tables = _cohort(seed)
    patients = tables["patients"].set_index("patient_id", drop=False)
    hips = dict(list(tables["hips"].groupby("patient_id")))
    films = tables["images"]
    changes = {visit: findings.recipe_changes(tables["findings"], visit) for visit in findings.VISITS}
    recipes = [
        examinations.film_recipe(
            film,
            patients.loc[film["patient_id"]],
            hips[film["patient_id"]],
            seed=seed,
            changes=changes.get(film["visit_id"]),
        )
        for _, film in films.iterrows()
    ]
    listed = films[["image_id", "patient_id", "visit_id", "date", "path"]].rename(
        columns={"date": "study_date"}
    )
    return listed.assign(recipe=pd.Series(recipes, index=films.index, dtype=object))


def write_film(folder: Path | str, image_id: str, *, seed: int = SEED) -> Path:
    """Make one film and write it as DICOM; safe to call in a worker process and to kill.

    Parameters
    ----------
    folder
        The study folder, with its `anatomy`; the film goes to its `path` in images.csv.
    image_id
        One of `film_recipes`.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    StudyError
        If the study has no such film.

    Notes
    -----
    The file is written beside its place and then renamed: there is either a whole film or none.
    """
    folder = Path(folder)
    film = _film(image_id, seed)
    path = folder / film["path"]
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.unfinished")
    try:
        write_dx(
            unfinished,
            film_pixels(film["recipe"], _anatomy(folder / "anatomy")),
            film["recipe"],
            patient_id=film["patient_id"],
            image_id=image_id,
            study_date=film["study_date"].date(),
            seed=seed,
        )
        os.replace(unfinished, path)
    finally:
        unfinished.unlink(missing_ok=True)
    return path


def film_fingerprint(folder: Path | str, image_id: str, *, seed: int = SEED) -> str:
    """Sixty-four letters that change when the film would: of its recipe, the anatomy and the code.

    Parameters
    ----------
    folder
        The study folder, with its `anatomy`.
    image_id
        One of `film_recipes`.

    Raises
    ------
    StudyError
        If the study has no such film.
    """
    film = _film(image_id, seed)
    facts = [seed, asdict(film["recipe"]), film["patient_id"], image_id, str(film["study_date"].date())]
    text = json.dumps([*facts, _anatomy_hash(Path(folder) / "anatomy"), _code_hash()])
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def _cohort(seed: int) -> dict[str, pd.DataFrame]:
    patients = cohort.patient_table(seed=seed)
    hips = hip_table(patients, seed=seed)
    visits = cohort.visit_table(patients, seed=seed)
    latent = answers.latent_scores(patients, hips, visits, seed=seed)
    first = densitometry.first_visits(patients, seed=seed)
    all_visits = pd.concat([visits, first]).sort_values(["patient_id", "date"], ignore_index=True)
    scanned = densitometry.scan_visits(all_visits, latent, seed=seed)
    density = true_density(hips, scanned, seed=seed)
    return {
        "patients": patients,
        "hips": hips,
        "plans": plans.plan_table(hips, seed=seed),
        "visits": all_visits,
        "events": events.event_table(patients, hips, visits, seed=seed),
        "latent": latent,
        "answers": answers.answer_table(latent, seed=seed),
        "density": density,
        "densitometry": densitometry.densitometry_table(density, hips, all_visits, seed=seed),
        "images": examinations.image_table(patients, visits, seed=seed),
        "findings": findings.hip_findings(hips, visits, seed=seed),
    }


def _film(image_id: str, seed: int) -> pd.Series:
    films = _films(seed)
    row = films[films["image_id"] == image_id]
    if row.empty:
        raise study_error(
            file="tables/images.csv",
            column="image_id",
            found=image_id,
            expected=f"one of {films['image_id'].iloc[0]} to {films['image_id'].iloc[-1]}",
            remedy="Ask for a film of this study",
        )
    return row.iloc[0]


@cache
def _anatomy(folder: Path) -> Anatomy:
    return read_anatomy(folder)


@cache
def _anatomy_hash(folder: Path) -> str:
    contents = [path.read_bytes() for path in sorted(folder.glob("*.npz"))]
    return hashlib.sha256(b"".join(contents)).hexdigest()


@cache
def _code_hash() -> str:
    """Of the code that turns a recipe into a film; comments and layout do not count."""
    sources = [
        path for path in sorted(Path(__file__).parent.glob("*.py")) if path.stem not in _RECIPE_WRITERS
    ]
    trees = [ast.dump(ast.parse(path.read_text(encoding="utf-8"))) for path in sources]
    return hashlib.sha256("".join(trees).encode()).hexdigest()


def _write_csv(table: pd.DataFrame, path: Path) -> None:
    """UTF-8, LF, dates as ISO 8601 and times in UTC; renamed into place when complete."""
    text = table.copy()
    for column in text.select_dtypes("datetime").columns:
        form = "%Y-%m-%dT%H:%M:%SZ" if column == "marked_at" else "%Y-%m-%d"
        text[column] = text[column].dt.strftime(form)
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.unfinished")
    unfinished.write_text(study_csv(text, file=path.name), encoding="utf-8", newline="\n")
    os.replace(unfinished, path)
