"""Images for others: only what a person looked at, with the text at their edges made black."""

from __future__ import annotations

from pathlib import Path

from cohortlib.commands.pixels import IMAGES, RECORD
from cohortlib.dicom.deidentification.export import export_images
from cohortlib.report.problems import counted


def export_for_others(folder: Path, target: Path) -> int:
    """Copy a study's images to a new folder: all of them, or none with every reason.

    Raises
    ------
    StudyError
        With every image that may not go.
    """
    found = export_images(folder / IMAGES, target, record=folder / RECORD)
    masked = int(found["masked"].sum())
    print(f"{target}: {counted(len(found), 'image')}, {masked} of them with masked bands.")
    print("The tables are not among them: python -m cohortlib private says what in a folder identifies.")
    return 0
