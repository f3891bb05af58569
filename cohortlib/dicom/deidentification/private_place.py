"""Where something may lie that leads back to patients: neither in a study, nor where it would be shared."""

from __future__ import annotations

from pathlib import Path

from cohortlib.errors import study_error


def private_place(path: Path, *, what: str, study_folder: Path | None = None) -> Path:
    """The place without links on the way to it.

    Parameters
    ----------
    path
        A file or folder, there already or not.
    what
        What is to lie there, such as "a key"; for messages.
    study_folder
        A study that it must not lie in, even if that has no study.toml yet.

    Raises
    ------
    StudyError
        If it lies within a study, or within a folder under version control.
    """
    place = path.resolve()
    around = (place, *place.parents)
    found = ""
    in_study = study_folder is not None and place.is_relative_to(study_root(study_folder))
    if in_study or any((folder / "study.toml").is_file() for folder in around):
        found = f"{what} within the study folder"
    elif any((folder / ".git").exists() for folder in around):
        found = f"{what} within a folder under version control"
    if found:
        raise study_error(
            file=place.name,
            found=found,
            expected="a place that is never shared with the study",
            remedy="Name a folder of your own, and keep a second copy of the key under lock",
        )
    return place


def study_root(folder: Path) -> Path:
    """The study that a folder belongs to: the nearest folder above with study.toml, or the folder itself."""
    place = folder.resolve()
    return next((step for step in (place, *place.parents) if (step / "study.toml").is_file()), place)
