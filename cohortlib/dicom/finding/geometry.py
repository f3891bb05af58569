"""What a pixel measures and how the image lies: worked out once for all images that say the same."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.tag import Tag

from cohortlib.dicom.elements import label, numbers
from cohortlib.dicom.finding.elements import TAG_OF, WANTED
from cohortlib.dicom.finding.noting import noted_by_one
from cohortlib.dicom.orientation import position, view
from cohortlib.dicom.spacing import spacing
from cohortlib.errors import StudyError

#: These decide `ImageGeometry`, and nothing else does.
DECISIVE = (
    "ImagerPixelSpacing",
    "PixelSpacing",
    "NominalScannedPixelSpacing",
    "PixelSpacingCalibrationType",
    "PixelAspectRatio",
    "ImageOrientationPatient",
    "AnatomicRegionSequence",
    "ViewCodeSequence",
    "ViewPosition",
    "BodyPartExamined",
    "PatientOrientationCodeSequence",
    "PatientPosition",
)
DECISIVE_TAGS = tuple(TAG_OF[keyword] for keyword in DECISIVE)
#: A cosine of the row direction this far from a plane of the body is "oblique" (practice, no source).
_ALONG = 0.9
_PLANES = ("sagittal", "coronal", "axial")


class ImageGeometry(NamedTuple):
    """Spacing [mm] and where it holds, plane of the body, direction cosines, view, position, notes."""

    row_spacing_mm: float | None
    column_spacing_mm: float | None
    spacing_source: str
    plane: str
    cosines: str
    view: str
    position: str
    notes: tuple[str, ...]


@lru_cache(maxsize=4096)
def image_geometry(raw: tuple[bytes | None, ...], implicit: bool) -> ImageGeometry:
    """Geometry from the bytes of the `DECISIVE` elements (None = absent).

    Notes
    -----
    `spacing_source` is one of `cohortlib.image.SPACING_SOURCES`, or "reconstruction": the pixels of a
    cross-section lie in the patient, where Image Orientation (Patient) says.
    """
    dataset = Dataset(
        {
            Tag(tag): RawDataElement(Tag(tag), WANTED[tag].vr.decode(), len(value), value, 0, implicit, True)
            for tag, value in zip(DECISIVE_TAGS, raw, strict=True)
            if value is not None
        }
    )
    return geometry_of(dataset)


def geometry_of(dataset: Dataset) -> ImageGeometry:
    """Geometry from a header; what is impossible is in the notes and not used."""
    notes: list[str] = []
    with noted_by_one(notes):
        cosines = _cosines(dataset, notes)
        spacing_mm, source = _spacing(dataset, notes)
        stated_view, stated_position = view(dataset), position(dataset)
    plane = ""
    if cosines is not None:
        source = "reconstruction" if source == "unknown" else source
        plane = _plane(cosines)
    row_mm, column_mm = spacing_mm or (None, None)
    text = "" if cosines is None else "\\".join(f"{value:.6g}" for value in cosines)
    return ImageGeometry(row_mm, column_mm, source, plane, text, stated_view, stated_position, tuple(notes))


def _spacing(dataset: Dataset, notes: list[str]) -> tuple[tuple[float, float] | None, str]:
    try:
        spacing_mm, source, found = spacing(dataset, name="")
    except StudyError as error:  # pixels that are not square, of unknown size
        notes.append(str(error.problems["column"].iloc[0]) + ": pixels that are not square")
        return None, "none"
    notes += found
    return spacing_mm, source


def _cosines(dataset: Dataset, notes: list[str]) -> NDArray[np.float64] | None:
    """The directions of the rows and of the columns, each of length 1 and at right angles, or None."""
    values = np.array(numbers(dataset, "ImageOrientationPatient"))
    if not len(values):
        return None
    if values.shape == (6,) and np.isfinite(values).all():
        across, down = values[:3], values[3:]
        square = abs(across @ down) < 1e-3
        if square and abs(across @ across - 1) < 1e-3 and abs(down @ down - 1) < 1e-3:
            return values
    notes.append(f"{label('ImageOrientationPatient')} gives no two directions at right angles: not used")
    return None


def _plane(cosines: NDArray[np.float64]) -> str:
    normal = np.abs(np.cross(cosines[:3], cosines[3:]))
    largest = int(np.argmax(normal))
    return _PLANES[largest] if normal[largest] >= _ALONG else "oblique"
