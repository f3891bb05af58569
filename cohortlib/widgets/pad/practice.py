"""Films of a study to practise on: read by its readers before, half of them with a line beside the cup."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.tables import Study
from cohortlib.widgets.pad.films import FilmOf


def practice_films(
    study: Study, film_of: FilmOf, *, readers: Sequence[str], number: int, seed: int
) -> pd.DataFrame:
    """Films to practise on, as `make_worklist` takes them.

    Parameters
    ----------
    study
        Its landmarks, gradings and images are used.
    film_of
        image_id → `ShownFilm`, such as `study_films(study)`.
    readers
        Whom the student will be compared with: all of them marked and graded every film that is chosen.
    number
        How many films; even, as half of them show a line.
    seed
        The same seed gives the same films.

    Returns
    -------
    DataFrame
        image_id, image_sha256, sides: one film a patient, of patients with one cup. On half of them the first
        of `readers` saw a line beside the cup, which is far more often than in life: with the true share a
        handful of films would hold none.

    Raises
    ------
    StudyError
        If the study has too few such films, `number` is odd, or there is no reader.
    """
    if number < 2 or number % 2:
        raise study_error(
            column="number",
            found=number,
            expected="an even number, 2 or more",
            remedy="Half of the films show a line: give twice as many as are to show one",
        )
    if not readers:
        raise study_error(
            column="readers", found="none", expected="at least one reader", remedy="Name whom to compare with"
        )
    stream = np.random.default_rng(seed)
    sides = _films_of_one_cup(study, readers)
    images = study.images[study.images["image_id"].isin(sides.index)].sort_values("image_id")
    images = images.iloc[stream.permutation(len(images))]
    first = study.gradings[study.gradings["reader_id"].eq(readers[0]) & study.gradings["repeat"].eq(1)]
    seen = first["zone_system"].eq("cup_3") & first["state"].isin(["incomplete", "complete"])
    with_line = images["image_id"].isin(first.loc[seen, "image_id"])
    lined = images[with_line].drop_duplicates("patient_id").iloc[: number // 2]
    others = images[~with_line & ~images["patient_id"].isin(lined["patient_id"])]
    clear = others.drop_duplicates("patient_id").iloc[: number // 2]
    parts = [lined["image_id"], clear["image_id"]]
    few = min(len(part) for part in parts)
    if few < number // 2:
        raise study_error(
            file="tables/images",
            found=f"{few} patients whose film serves",
            expected=f"{number // 2} with a line beside their one cup, as many without, read by all readers",
            remedy="Ask for fewer films, or for fewer readers",
        )
    chosen = pd.concat(parts).sort_values().tolist()
    digests = [film_of(image_id).sha256 for image_id in chosen]
    return pd.DataFrame({"image_id": chosen, "image_sha256": digests, "sides": sides[chosen].tolist()})


def _films_of_one_cup(study: Study, readers: Sequence[str]) -> pd.Series:
    """Side of the cup by image_id, of films that all readers marked and graded."""
    cups = study.gradings[study.gradings["zone_system"] == "cup_3"]
    of_film = cups.groupby("image_id")["side"]
    sides = of_film.first()[of_film.nunique() == 1]
    read = [
        set(table.loc[table["reader_id"] == reader, "image_id"])
        for reader in readers
        for table in (study.landmarks, cups)
    ]
    return sides[sides.index.isin(list(set.intersection(*read)))]
