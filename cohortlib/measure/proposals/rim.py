"""The rim of a cup, sought from its ball alone."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.errors import StudyError
from cohortlib.geometry.ellipse import Ellipse
from cohortlib.geometry.projection import source_position
from cohortlib.image import Radiograph
from cohortlib.measure.cup.fit import CupFit, Scene, best_cups
from cohortlib.measure.cup.model import CupModel
from cohortlib.measure.proposals.ball import Ball, Window
from cohortlib.measure.proposals.rim_starts import rim_starts

Array = NDArray[np.float64]
#: At the detector a hip appears about this much larger (common practice, no source). An ellipse on the
#: film hardly depends on it.
_USUAL_MAGNIFICATION = 1.15
_RADIUS_SD_MM = 0.5
#: How well the dome's arc shows where the mouth opens, and how much that may weigh in all [mm of edge].
_SLOPE_SD_DEG, _MOST_LEAN = 1.5, 9.0
#: From this length on, an end of the rim counts as seen [mm].
_FULL_END_MM = 9.0


class Rim(NamedTuple):
    """The rim's outline [mm], the fit it comes from, and how much of that another rim explains, 0 to 1."""

    outline: Ellipse
    fit: CupFit
    rivalry: float


def fitted_rim(radiograph: Radiograph, window: Window, ball: Ball, sign: float) -> Rim | None:
    """The rim that explains most of the edges about a ball, or None where no rim is seen."""
    source, enlarged, depth = _source(radiograph, window), 1.0, 0.0
    x, y = ball.dome.centre
    if source is not None:
        enlarged = _USUAL_MAGNIFICATION
        depth = source[2] * (1.0 - 1.0 / enlarged)
        x, y = (source[k] + (value - source[k]) / enlarged for k, value in enumerate((x, y)))
    radius = ball.dome.radius / enlarged
    scene = Scene(
        window.pixels, window.mm_per_px, ball.head, radius, _RADIUS_SD_MM / enlarged, window.least_drop
    )
    slope = float(np.clip(np.degrees(np.arctan2(sign * ball.mouth[0], -ball.mouth[1])), 5.0, 85.0))
    begin = CupModel(float(x), float(y), radius, slope, 15.0, 0.06 * radius, depth, sign, source)
    fits = _fits(scene, rim_starts(scene, begin))
    if not fits:
        return None
    worth = [_worth(fit, slope) for fit in fits]
    best = fits[int(np.argmax(worth))]
    outline = best.model.rim_shadow()
    others = [
        value for fit, value in zip(fits, worth, strict=True) if _apart(fit.model.rim_shadow(), outline) > 1.0
    ]
    return Rim(outline, best, float(np.clip(max(others, default=0.0) / max(*worth, 1e-9), 0.0, 1.0)))


def _fits(scene: Scene, starts: list[CupModel]) -> list[CupFit]:
    """The fits from all starts together; none where the edges of what is no cup drive one out of shape."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        try:
            return best_cups(scene, starts)
        except (StudyError, np.linalg.LinAlgError):
            return []


def _worth(fit: CupFit, slope_deg: float) -> float:
    """Edge explained [mm], less for a rim seen at one end alone or not square to the dome's arc."""
    lean = (fit.model.inclination_deg - slope_deg) / _SLOPE_SD_DEG
    return fit.explained - min(lean**2, _MOST_LEAN) - max(0.0, _FULL_END_MM - min(fit.rim_seen))


def _source(radiograph: Radiograph, window: Window) -> tuple[float, float, float] | None:
    """Where the beam comes from, if the header says so."""
    if (
        radiograph.source_to_detector_mm is None
        or radiograph.beam_centre_px is None
        or radiograph.spacing_source not in ("detector", "unknown")
    ):
        return None
    centre = np.array(radiograph.beam_centre_px) * window.flip
    x, y, z = source_position(radiograph.source_to_detector_mm, centre)
    return float(x), float(y), float(z)


def _apart(first: Ellipse, second: Ellipse) -> float:
    """How differently two outlines lie: centre or half width [mm]."""
    centres = float(np.linalg.norm(first.centre - second.centre))
    return max(centres, abs(first.semi_axes[1] - second.semi_axes[1]))
