"""The next worklist of a study: every image that its readers have not read, as study.toml lays it down."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.pipeline.digests import file_digest
from cohortlib.readings import make_worklist, open_readings
from cohortlib.report.problems import counted
from cohortlib.study import read_study
from cohortlib.study.stored_readings import store_place
from cohortlib.tables import Study

_NEEDED = ("readers", "repeat_share", "washout_days", "seed")


def write_next_worklist(
    folder: Path, *, who: str, task: str, visits: Sequence[str], views: Sequence[str]
) -> int:
    """Set up a worklist of the radiographs of a study that none of its readers read or is to read.

    Parameters
    ----------
    who
        Who sets it up; not a reader where that can be had.
    task
        One of `TASKS`, such as "marks and gradings".
    visits, views
        Only images of these; empty for all.

    Raises
    ------
    StudyError
        If [readings] does not say how, an image is missing, or there is nothing to read.
    """
    study = read_study(folder, readings=False)
    missing = [name for name in _NEEDED if name not in study.readings]
    if missing:
        raise study_error(
            file="study.toml",
            column="[readings]",
            found=f"no {', '.join(missing)}",
            expected=f"{', '.join(_NEEDED)}",
            remedy="Lay down there who reads, which part is shown twice, and after how many days",
        )
    how = study.readings
    chosen = _chosen(study, visits, views)
    with open_readings(store_place(folder, how)) as store:
        known = chosen["image_id"].isin(store.images_of(how["readers"], task=task))
        images = images_to_read(study, chosen[~known])
        # Another seed for each list, or the names of its items could be those of an earlier one.
        seed = how["seed"] + len(store.worklists())
        worklist = make_worklist(
            images, readers=how["readers"], repeat_share=how["repeat_share"], seed=seed, task=task
        )
        number = store.write_worklist(worklist, who=who, washout_days=how["washout_days"])
    print(f"Worklist {number}: {counted(len(images), 'image')} for {', '.join(how['readers'])}.")
    if known.any():
        print(f"{counted(int(known.sum()), 'image')} left out: on a worklist, or read, already.")
    return 0


def _chosen(study: Study, visits: Sequence[str], views: Sequence[str]) -> pd.DataFrame:
    images = study.images[study.images["kind"] == "radiograph"]
    for column, wanted in (("visit_id", visits), ("view", views)):
        unknown = [name for name in wanted if name not in set(images[column])]
        if unknown:
            raise study_error(
                file="tables/images.csv",
                column=column,
                found=unknown[0],
                expected=", ".join(sorted(set(images[column].dropna()))) or "a radiograph",
                remedy="Correct the option",
            )
        if wanted:
            images = images[images[column].isin(wanted)]
    return images


def images_to_read(study: Study, images: pd.DataFrame) -> pd.DataFrame:
    """image_id, image_sha256 of the file as it lies there, sides.

    The sides are those of the image; of one that shows both hips, those of the study: nobody is asked to
    mark an implant where there is none.

    Raises
    ------
    StudyError
        If there is no image, or a file is missing.
    """
    if images.empty:
        raise study_error(
            file="tables/images.csv",
            found="no radiograph that is not on a worklist or read already",
            expected="images to be read",
            remedy="Nothing is to be done, or choose other images",
        )
    digests, problems = [], []
    for path in images["path"]:
        try:
            digests.append(file_digest(study.folder / path))
        except OSError as error:
            found = f"{path}: {error.strerror}"
            problems.append(
                problem(
                    file="tables/images.csv",
                    column="path",
                    found=found,
                    expected="the image's file",
                    remedy="Put the image there: its bytes are laid down in the worklist",
                )
            )
    if problems:
        raise StudyError(problems)
    hips = study.hips.groupby("patient_id")["side"]
    of_study = hips.first().where(hips.nunique() == 1)
    sides = images["side"].fillna(images["patient_id"].map(of_study)).fillna("both")
    return pd.DataFrame(
        {"image_id": images["image_id"].to_numpy(), "image_sha256": digests, "sides": sides.to_numpy()}
    )
