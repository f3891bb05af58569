"""The film in working millimetres: its scale, the head found on it, and where the beam comes from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.circle import Circle
from cohortlib.geometry.projection import source_position
from cohortlib.image import Radiograph
from cohortlib.measure.arc import Expected, fit_arc
from cohortlib.measure.cup.reading import Reading
from cohortlib.measure.descent import descent
from cohortlib.measure.teardrops import CLICK_SD_MM

Array = NDArray[np.float64]
#: At the detector a hip appears about this much larger with usual distances (common practice, no source).
_USUAL_MAGNIFICATION = (1.15, 0.04)
#: A calibrated film, or one scaled by the cup as marked, shows the head in about its own size.
_OWN_SIZE = (1.0, 0.06)
#: Cup and head share a centre, but for wear and a liner that sits off centre (common practice, no source).
_CONCENTRIC_SD_MM = 0.6
#: How far the middle between the ends of the opening may lie from the head's centre.
_OPENING_SD_MM = 4.0
_DOME_HALF_ANGLE_DEG = 70.0
_HEAD_HALF_ANGLE_DEG = 85.0


@dataclass(frozen=True)
class ScaledFilm:
    """A film with its implanted head found.

    Attributes
    ----------
    radiograph
        The film.
    mm_per_px
        (x, y) of one pixel [mm]; without a spacing, that which gives the marked cup its size.
    head
        The head's outline [mm], x right and y up.
    magnification
        Size of the head on the film over its labelled size.
    least_drop
        Least fall of grey per pixel that is an edge of metal.
    metal
        True where an implant hides the bone.
    """

    radiograph: Radiograph
    mm_per_px: tuple[float, float]
    head: Circle
    magnification: float
    least_drop: float
    metal: NDArray[np.bool_]

    @property
    def has_spacing(self) -> bool:
        """Whether the millimetres come from the file."""
        return self.radiograph.spacing_mm is not None

    def mm(self, places_px: Array) -> Array:
        """Working millimetres of pixel places."""
        return places_px * np.array([self.mm_per_px[0], -self.mm_per_px[1]])

    @property
    def source(self) -> tuple[float, float, float] | None:
        """Where the X-ray source stands, if the header says so and the head's size agrees with it."""
        film = self.radiograph
        if film.source_to_detector_mm is None or film.beam_centre_px is None or not self.has_spacing:
            return None
        if film.spacing_source not in ("detector", "unknown") or not 1.02 <= self.magnification <= 1.5:
            return None
        centre = self.mm(np.array(film.beam_centre_px))
        x, y, z = source_position(film.source_to_detector_mm, centre)
        return float(x), float(y), float(z)


def scaled_film(radiograph: Radiograph, reading: Reading) -> ScaledFilm:
    """The film with its scale and the head's outline, found from the reader's marks on the head.

    Raises
    ------
    StudyError
        If the marks lie off the image.
    """
    mm_per_px = _mm_per_px(radiograph, reading)
    flip = np.array([mm_per_px[0], -mm_per_px[1]])
    expected = _expected_head(radiograph, reading, flip)
    metal_grey, tissue_grey = _grey_levels(radiograph, expected.values / [*flip, mm_per_px[0]])
    least_drop = 0.05 * max(metal_grey - tissue_grey, 1e-9)
    head = _head(radiograph, reading, expected, mm_per_px, least_drop)
    return ScaledFilm(
        radiograph=radiograph,
        mm_per_px=mm_per_px,
        head=head,
        magnification=2.0 * head.radius / reading.head_diameter,
        least_drop=least_drop,
        metal=radiograph.pixels > tissue_grey + 0.7 * (metal_grey - tissue_grey),
    )


def _mm_per_px(radiograph: Radiograph, reading: Reading) -> tuple[float, float]:
    """(x, y) of one pixel [mm]; without a spacing, roughly what gives the cup as marked its own size.

    Square pixels are assumed then: a film without spacing says nothing else.
    """
    if radiograph.spacing_mm is not None:
        row_mm, column_mm = radiograph.spacing_mm
        return column_mm, row_mm
    ends, _ = reading.opening(np.array([1.0, -1.0]))
    width = reading.cup_diameter or 1.15 * reading.head_diameter
    scale = width / float(np.linalg.norm(ends[1] - ends[0]))
    return scale, scale


def _head(
    radiograph: Radiograph,
    reading: Reading,
    expected: Expected,
    mm_per_px: tuple[float, float],
    least_drop: float,
) -> Circle:
    """The head's outline; by way of the cup's dome, whose edge is long, where the cup's size is known."""
    flip = np.array([mm_per_px[0], -mm_per_px[1]])
    _, slope = reading.opening(flip)
    mouth = np.array([reading.sign * np.sin(np.radians(slope)), -np.cos(np.radians(slope))])
    if reading.cup_diameter is not None:
        ratio = reading.cup_diameter / reading.head_diameter
        around = Expected(expected.values * [1, 1, ratio], expected.sd * [1, 1, ratio])
        dome, seen = fit_arc(
            radiograph.pixels,
            around,
            mm_per_px=mm_per_px,
            least_drop=least_drop,
            seen_towards=-mouth,
            half_angle_deg=_DOME_HALF_ANGLE_DEG,
        )
        if seen > 0.3:
            values = np.array([*dome.centre, dome.radius / ratio])
            expected = Expected(values, np.array([_CONCENTRIC_SD_MM, _CONCENTRIC_SD_MM, 0.3]))
    head, _ = fit_arc(
        radiograph.pixels,
        expected,
        mm_per_px=mm_per_px,
        least_drop=least_drop,
        seen_towards=mouth,
        half_angle_deg=_HEAD_HALF_ANGLE_DEG,
    )
    return head


def _expected_head(radiograph: Radiograph, reading: Reading, flip: Array) -> Expected:
    """Where the head must be by the marks on it, the ends of the opening and the usual magnification.

    Marks on a short arc say little of the radius; the usual magnification keeps it within reason.
    """
    marks = reading.head_edge * flip
    middle = reading.opening(flip)[0].mean(axis=0)
    size = reading.head_diameter / 2.0
    at_detector = radiograph.spacing_source in ("detector", "unknown")
    radius, radius_sd = (size * part for part in (_USUAL_MAGNIFICATION if at_detector else _OWN_SIZE))

    def residuals(p: Array) -> Array:
        off = (np.hypot(marks[:, 0] - p[0], marks[:, 1] - p[1]) - p[2]) / CLICK_SD_MM
        return np.array([*off, *((p[:2] - middle) / _OPENING_SD_MM), (p[2] - radius) / radius_sd])

    low, high = np.array([-np.inf, -np.inf, 1.0]), np.full(3, np.inf)
    values, slopes = descent(
        residuals, np.array([*middle, radius]), low=low, high=high, forgiveness=3.0, steps=np.full(3, 0.01)
    )
    return Expected(values, np.sqrt(np.diag(np.linalg.inv(slopes.T @ slopes))))


def _grey_levels(radiograph: Radiograph, head_px: Array) -> tuple[float, float]:
    """Typical grey of metal within the head (x, y, radius in pixels) and of what lies around the cup."""
    pixels = radiograph.pixels
    reach = int(np.ceil(3.0 * head_px[2]))
    x, y = (round(float(value)) for value in head_px[:2])
    top, left = max(0, y - reach), max(0, x - reach)
    patch = pixels[top : max(y + reach + 1, 0), left : max(x + reach + 1, 0)]
    rows, columns = np.ogrid[: patch.shape[0], : patch.shape[1]]
    away = np.hypot(columns + left - x, rows + top - y) / head_px[2]
    inside, around = patch[away < 0.9], patch[(away > 1.6) & (away < 2.8)]
    if inside.size == 0 or around.size == 0:
        raise study_error(
            file=radiograph.name,
            column="head_edge",
            found=f"a head about x_px {x}, y_px {y}",
            expected=f"marks on an image of {pixels.shape[1]} columns and {pixels.shape[0]} rows",
            remedy="Check that the marks belong to this image",
        )
    return float(np.percentile(inside, 90)), float(np.median(around))
