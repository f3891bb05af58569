"""Where the cup is on a film: scale, horizontal and the outlines that follow its edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.projection import circle_normals
from cohortlib.image import Radiograph
from cohortlib.measure.cup.definitions import orientation_of_axis
from cohortlib.measure.cup.fit import CupFit, Scene, best_cups
from cohortlib.measure.cup.model import CupModel
from cohortlib.measure.cup.reading import Reading
from cohortlib.measure.cup.scale import ScaledFilm, scaled_film
from cohortlib.measure.teardrops import TeardropLine, teardrop_line

Array = NDArray[np.float64]
_STARTS_DEG = (11.0, 22.0, 35.0)


@dataclass(frozen=True)
class FilmFit:
    """What was found on a film for one reading.

    Attributes
    ----------
    film, reading, line
        Scale and head, marks and sizes, inter-teardrop line.
    best
        The cup that explains most of the film's edges; None if none is seen.
    runner_up
        The best of those that are another answer, or None.
    """

    film: ScaledFilm
    reading: Reading
    line: TeardropLine
    best: CupFit | None
    runner_up: CupFit | None


def film_fit(
    radiograph: Radiograph,
    marks: pd.DataFrame,
    *,
    side: str,
    head_diameter_mm: float,
    cup_diameter_mm: float | None,
) -> FilmFit:
    """Find scale, horizontal and cup from one reading; parameters as in `cup_on_film`."""
    reading = Reading.of(marks, side, head_diameter_mm, cup_diameter_mm)
    film = scaled_film(radiograph, reading)
    line = teardrop_line(
        radiograph.pixels,
        film.mm(reading.teardrop_right),
        film.mm(reading.teardrop_left),
        mm_per_px=film.mm_per_px,
        metal=film.metal,
    )
    best, runner_up = _best_fits(film, reading)
    return FilmFit(film, reading, line, best, runner_up)


def _start(film: ScaledFilm, reading: Reading, anteversion_deg: float) -> CupModel:
    """A cup about the head's centre, which it shares, opening where its ends are marked."""
    ends, slope = reading.opening(np.array([film.mm_per_px[0], -film.mm_per_px[1]]))
    turn = np.radians(slope)
    mouth = np.array([reading.sign * np.sin(turn), -np.cos(turn)])
    radius, _ = _cup_radius(film, reading)
    source, depth, enlarged = film.source, 0.0, 1.0
    x, y = film.head.centre
    if source is not None:
        enlarged = film.magnification
        depth = source[2] * (1.0 - 1.0 / enlarged)
        x, y = (source[k] + (value - source[k]) / enlarged for k, value in enumerate((x, y)))
    behind = float((film.head.centre - ends.mean(axis=0)) @ mouth) / enlarged
    return CupModel(
        x=float(x),
        y=float(y),
        radius=radius,
        inclination_deg=slope,
        anteversion_deg=anteversion_deg,
        setback=float(np.clip(behind, 0.0, 0.3 * radius)),
        depth=depth,
        sign=reading.sign,
        source=source,
    )


def _cup_radius(film: ScaledFilm, reading: Reading) -> tuple[float, float]:
    """Expected radius of the cup's ball in the model's own millimetres, and how well it is known."""
    scale = 1.0 if film.source is not None else film.magnification
    if reading.cup_diameter is not None:
        return 0.5 * reading.cup_diameter * scale, 0.6
    ends, _ = reading.opening(np.array([film.mm_per_px[0], -film.mm_per_px[1]]))
    return float(np.linalg.norm(ends[1] - ends[0])) / 2.0 * scale / film.magnification, 3.0


def _best_fits(film: ScaledFilm, reading: Reading) -> tuple[CupFit | None, CupFit | None]:
    """The best fit over several starts, and the best of those that are another answer."""
    radius, radius_sd = _cup_radius(film, reading)
    scene = Scene(film.radiograph.pixels, film.mm_per_px, film.head, radius, radius_sd, film.least_drop)
    starts = [_start(film, reading, v) for v in _STARTS_DEG]
    _check_below_source(film, starts[0])
    fits = best_cups(scene, starts)
    if not fits:
        return None, None
    best = fits[0]
    others = [fit for fit in fits[1:] if _differs(fit.model, best.model)]
    return best, others[0] if others else None


def _check_below_source(film: ScaledFilm, model: CupModel) -> None:
    """Refuse a source that stands so low that the cup reaches up to it: nothing there casts an outline."""
    if model.radius >= model.most_radius:
        distance = film.radiograph.source_to_detector_mm
        raise study_error(
            file=film.radiograph.name,
            column="source_to_detector_mm",
            found=f"{distance:g} mm, so that a cup of radius {model.radius:.0f} mm reaches up to the source",
            expected="a source above the patient, about 1000 mm from the detector",
            remedy="Correct the distance in the file's header, in mm, or remove it; and check the marks",
        )


def _differs(model: CupModel, best: CupModel) -> bool:
    """Whether a model is another answer, not the best one, its twin, or on the flat valley between them."""
    poses = [best.anteversion_deg, other_pose(best, 0.0)[1]]
    between = min(poses) - 3.0 <= model.anteversion_deg <= max(poses) + 3.0
    return not between or abs(model.inclination_deg - best.inclination_deg) > 3.0


def other_pose(model: CupModel, turn: float) -> tuple[float, float]:
    """The second pose with the same rim outline, against the inter-teardrop line."""
    poses = []
    for right, up, toward in circle_normals(model.rim_shadow(), model.source):
        axis = np.array([model.sign * right, toward, up])
        inclination, anteversion = orientation_of_axis(-axis if up > 0 else axis, wanted="radiographic")
        poses.append((float(inclination), float(anteversion)))
    far = max(poses, key=lambda pose: abs(pose[1] - model.anteversion_deg))
    return far[0] - turn, far[1]
