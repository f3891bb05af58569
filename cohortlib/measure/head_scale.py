"""The scale of a film from the head on its pixels, else from a calibrated header."""

from __future__ import annotations

from cohortlib.image import Radiograph
from cohortlib.measure.cup.scale import ScaledFilm
from cohortlib.measure.scale import FilmScale

HEAD = "head of known diameter, by its edge on the film"
#: What the edge of a head leaves: blur acts on exposure and makes heads of stemmed hips 0.7 to 1.2 % small
#: (measured on the demonstration films).
HEAD_RELATIVE_SD = 0.012
#: Spread of scales from the header [part of the scale]: markers err by 6 to 17 %, assumed distances by 5 to
#: 12 % at most.
_CALIBRATED = {"calibrated object": 0.05, "calibrated geometry": 0.04, "calibrated, method not stated": 0.06}
#: A head that measures so much less or more than its label at the detector is none.
_MAGNIFICATIONS = (0.9, 1.5)


def scale_of_head(film: ScaledFilm) -> FilmScale | None:
    """The scale by which the head that was found has its labelled size; None if that is no head."""
    low, high = _MAGNIFICATIONS
    if film.has_spacing and not low <= film.magnification <= high:
        return None
    x_mm, y_mm = (size / film.magnification for size in film.mm_per_px)
    return FilmScale(float(x_mm), float(y_mm), HEAD_RELATIVE_SD, HEAD)


def scale_of_header(radiograph: Radiograph) -> FilmScale | None:
    """The scale of a calibrated header; a spacing at the detector is none of the patient."""
    relative = _CALIBRATED.get(radiograph.spacing_source)
    if relative is None or radiograph.spacing_mm is None:
        return None
    row_mm, column_mm = radiograph.spacing_mm
    return FilmScale(float(column_mm), float(row_mm), relative, f"header, {radiograph.spacing_source}")
