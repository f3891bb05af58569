"""Images that know their millimetres.

Pixel coordinates: x_px counts columns to the right, y_px rows downwards, and (0, 0) is the middle of
the first pixel. The film hangs as usual: the patient's left is at the right of the image.
Millimetres on the detector: x to the right, y upwards (to the head), from the same pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error

#: How the millimetres of a radiograph are known, and what they measure.
SPACING_SOURCES = {
    "detector": "spacing at the detector; lengths in the patient are magnified",
    "calibrated object": "spacing corrected with an object of known size in the field",
    "calibrated geometry": "spacing corrected for an assumed distance of the patient",
    "calibrated, method not stated": "spacing differs from the detector's; how is not said",
    "unknown": "a spacing without a statement of where it holds",
    "none": "no spacing: angles and ratios only",
}


@dataclass(frozen=True, eq=False)
class Radiograph:
    """A projection radiograph, white = dense, with where its millimetres come from.

    Attributes
    ----------
    pixels
        (rows, columns) float32; large = dense (bone, metal), whatever the file's photometric.
    spacing_mm
        (row, column) [mm], or None.
    spacing_source
        One of `SPACING_SOURCES`.
    source_to_detector_mm
        X-ray source to detector [mm], or None.
    beam_centre_px
        (x, y) where the central ray meets the detector [px], or None; may lie off the image.
    beam_centre_source
        Where `beam_centre_px` comes from, in words; "" if it is None.
    view
        Such as "AP pelvis"; "" if not stated.
    position
        "supine", "standing" or "" if not stated.
    photometric
        As in the file: "MONOCHROME1" or "MONOCHROME2".
    name
        File name for messages.
    note
        What was done on reading that a user should know; "" if nothing.
    """

    pixels: NDArray[np.float32]
    spacing_mm: tuple[float, float] | None
    spacing_source: str
    source_to_detector_mm: float | None = None
    beam_centre_px: tuple[float, float] | None = None
    beam_centre_source: str = ""
    view: str = ""
    position: str = ""
    photometric: str = "MONOCHROME2"
    name: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        if self.pixels.ndim != 2:
            raise study_error(
                file=self.name,
                column="pixels",
                found=f"an array of shape {self.pixels.shape}",
                expected="rows and columns of one grey image",
                remedy="Give one frame of a grey image",
            )
        if self.spacing_source not in SPACING_SOURCES:
            raise study_error(
                file=self.name,
                column="spacing_source",
                found=self.spacing_source,
                expected="one of " + ", ".join(SPACING_SOURCES),
                remedy="Name where the spacing comes from",
            )

    def mm(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Millimetres on the detector (x right, y up) of pixel places.

        Parameters
        ----------
        points_px : (n, 2)
            x_px, y_px.

        Raises
        ------
        StudyError
            If the image has no spacing.
        """
        row_mm, column_mm = self._spacing()
        points = np.asarray(points_px, dtype=float)
        return points * np.array([column_mm, -row_mm])

    def px(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Pixel places of millimetres on the detector; the inverse of `mm`."""
        row_mm, column_mm = self._spacing()
        return np.asarray(points_mm, dtype=float) / np.array([column_mm, -row_mm])

    def _spacing(self) -> tuple[float, float]:
        if self.spacing_mm is None:
            raise study_error(
                file=self.name,
                column="Pixel Spacing (0028,0030), Imager Pixel Spacing (0018,1164)",
                found="no spacing",
                expected="a pixel spacing in millimetres",
                remedy="Export the original image with its spacing, or measure angles and ratios only",
            )
        return self.spacing_mm
