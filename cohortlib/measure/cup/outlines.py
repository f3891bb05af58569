"""What was fitted on a film, as outlines to draw over it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.image import Radiograph
from cohortlib.measure.cup.search import film_fit

Array = NDArray[np.float64]


def cup_outlines(
    radiograph: Radiograph,
    marks: pd.DataFrame,
    *,
    side: str,
    head_diameter_mm: float,
    cup_diameter_mm: float | None = None,
) -> list[tuple[str, Array, str]]:
    """The outlines that `cup_on_film` measures by: dome and rim of the cup, head, inter-teardrop line.

    Parameters
    ----------
    radiograph, marks, side, head_diameter_mm, cup_diameter_mm
        As in `cup_on_film`.

    Returns
    -------
    list of (label, points, kind)
        Points (n, 2) in pixels; kind is "cup", "head" or "reference". Without a cup found, the head and
        the line alone.

    Raises
    ------
    StudyError
        Marks are missing or a diameter is impossible.
    """
    found = film_fit(
        radiograph,
        marks,
        side=side,
        head_diameter_mm=head_diameter_mm,
        cup_diameter_mm=cup_diameter_mm,
    )
    film = found.film
    to_px = 1.0 / np.array([film.mm_per_px[0], -film.mm_per_px[1]])
    outlines = [
        ("head", film.head.points() * to_px, "head"),
        (
            "inter-teardrop line",
            _line(found.reading.teardrop_right, found.reading.teardrop_left),
            "reference",
        ),
    ]
    if found.best is not None:
        model = found.best.model
        outlines[:0] = [
            ("cup, dome", model.dome_shadow().points() * to_px, "cup"),
            ("cup, rim", model.rim_shadow().points() * to_px, "cup"),
        ]
    return outlines


def _line(first: Array, second: Array) -> Array:
    """A line a little longer than from one place to the other."""
    middle, half = (first + second) / 2.0, (second - first) / 2.0
    return np.array([middle - 1.15 * half, middle + 1.15 * half])
