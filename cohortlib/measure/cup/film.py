"""Cup inclination and anteversion of one hip on one film, from a reader's seed marks and the pixels."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.geometry.projection import circle_normals
from cohortlib.image import Radiograph
from cohortlib.measure.cup.definitions import orientation_of_axis
from cohortlib.measure.cup.fit import CupFit, Scene, best_cups
from cohortlib.measure.cup.model import CupModel
from cohortlib.measure.cup.reading import Reading
from cohortlib.measure.cup.rim import ambiguity_note
from cohortlib.measure.cup.scale import ScaledFilm, scaled_film
from cohortlib.measure.teardrops import TeardropLine, teardrop_line
from cohortlib.quantities import QUANTITIES

Array = NDArray[np.float64]

#: A value less certain than this is not given (1 SD). Published film methods err by about 1 to 4 degrees
#: (Bachhal V et al., Int Orthop 2012;36:1813-8).
MOST_SD_DEG = {"inclination": 1.5, "anteversion": 1.5}
_LEAST_RIM_MM = 8.0
_LEAST_DOME_MM = 20.0
_MOST_RMS_MM = 0.6
_STARTS_DEG = (11.0, 22.0, 35.0)


def cup_on_film(
    radiograph: Radiograph,
    marks: pd.DataFrame,
    *,
    side: str,
    head_diameter_mm: float,
    cup_diameter_mm: float | None = None,
) -> pd.DataFrame:
    """Radiographic inclination and anteversion of a cup, each with its standard deviation.

    Parameters
    ----------
    radiograph
        White = dense. Without a pixel spacing the head alone gives the scale.
    marks
        One reading: columns landmark, x_px, y_px; landmarks teardrop_left, teardrop_right (one each),
        head_edge (at least three), cup_rim (at least two: both ends of the opening).
    side
        "left" or "right", of the patient.
    head_diameter_mm
        Labelled diameter of the head [mm].
    cup_diameter_mm
        Labelled outer diameter of the cup [mm], or None if it is not known.

    Returns
    -------
    DataFrame
        Two rows, quantity "inclination" and "anteversion": quantity, zone, value, unit, sd, method, note.
        The value is NaN, with the reason in `note`, where the film does not allow one.

    Raises
    ------
    StudyError
        Marks are missing or a diameter is impossible.

    Notes
    -----
    The marks only say where to look: head circle and cup outline (dome and rim) are fitted to the film's
    edges. The rim is fitted as a circle in space, projected from the source when source-to-detector
    distance and beam centre are known, else by a parallel beam; `method` says which. What the metal head
    hides of the rim is left out, and the standard deviation grows accordingly. The horizontal is the
    inter-teardrop line.
    """
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
    return _rows(film, reading, line, best, runner_up)


def _start(film: ScaledFilm, reading: Reading, anteversion_deg: float) -> CupModel:
    """A cup through the ends of its opening as marked."""
    ends, slope = reading.opening(np.array([film.mm_per_px[0], -film.mm_per_px[1]]))
    radius, _ = _cup_radius(film, reading)
    source, depth = film.source, 0.0
    x, y = ends.mean(axis=0)
    if source is not None:
        depth = source[2] * (1.0 - 1.0 / film.magnification)
        x, y = (source[k] + (value - source[k]) / film.magnification for k, value in enumerate((x, y)))
    return CupModel(
        x=float(x),
        y=float(y),
        radius=radius,
        inclination_deg=slope,
        anteversion_deg=anteversion_deg,
        setback=0.06 * radius,
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
    fits = best_cups(scene, [_start(film, reading, v) for v in _STARTS_DEG])
    if not fits:
        return None, None
    best = fits[0]
    others = [fit for fit in fits[1:] if _differs(fit.model, best.model)]
    return best, others[0] if others else None


def _rows(
    film: ScaledFilm, reading: Reading, line: TeardropLine, best: CupFit | None, runner_up: CupFit | None
) -> pd.DataFrame:
    beam = "parallel beam" if film.source is None else "point projection"
    method = f"radiographic; cup outline, {beam}; {line.method}"
    if best is None:
        return _table([(np.nan, np.nan), (np.nan, np.nan)], method, ["the cup's outline is not seen"] * 2)
    turn = reading.sign * line.angle_deg
    inclination, anteversion = best.model.inclination_deg - turn, best.model.anteversion_deg
    sds = np.sqrt(np.diag(best.covariance)[3:5])
    sds[0] = np.hypot(sds[0], line.sd_deg)
    chosen, other = (inclination, anteversion), _other_pose(best.model, turn)
    if other[1] > anteversion:
        chosen, other = other, chosen
    # A second pose that may be anteverted within its error counts as one.
    note = ambiguity_note(chosen, (other[0], other[1] + 2.0 * float(sds[1])))
    refusal = _refusal(film, best, runner_up)
    notes, values = [], []
    for k, quantity in enumerate(("inclination", "anteversion")):
        sd, reasons = float(sds[k]), [refusal] if refusal else []
        if note and abs(chosen[k] - other[k]) > 2.0 * MOST_SD_DEG[quantity]:
            reasons.append(note)
        elif note:
            sd = float(np.hypot(sd, abs(chosen[k] - other[k]) / 2.0))
        if not reasons and sd > MOST_SD_DEG[quantity]:
            reasons.append(f"too uncertain: 1 SD is {sd:.1f} deg, more than {MOST_SD_DEG[quantity]:g} deg")
        values.append((np.nan if reasons else float(chosen[k]), sd))
        notes.append("; ".join(reasons) if reasons else note)
    return _table(values, method, notes)


def _differs(model: CupModel, best: CupModel) -> bool:
    """Whether a model is another answer, not the best one, its twin, or on the flat valley between them."""
    poses = [best.anteversion_deg, _other_pose(best, 0.0)[1]]
    between = min(poses) - 3.0 <= model.anteversion_deg <= max(poses) + 3.0
    return not between or abs(model.inclination_deg - best.inclination_deg) > 3.0


def _other_pose(model: CupModel, turn: float) -> tuple[float, float]:
    """The second pose with the same rim outline, against the inter-teardrop line."""
    poses = []
    for right, up, toward in circle_normals(model.rim_shadow(), model.source):
        axis = np.array([model.sign * right, toward, up])
        inclination, anteversion = orientation_of_axis(-axis if up > 0 else axis, wanted="radiographic")
        poses.append((float(inclination), float(anteversion)))
    far = max(poses, key=lambda pose: abs(pose[1] - model.anteversion_deg))
    return far[0] - turn, far[1]


def _refusal(film: ScaledFilm, best: CupFit, runner_up: CupFit | None) -> str:
    """Why the fit as a whole is not to be trusted; "" if it is."""
    if film.has_spacing and not 0.9 <= film.magnification <= 1.5:
        return (
            f"the head measures {film.magnification:.2f} times its labelled diameter: "
            "check head_diameter_mm and the marks"
        )
    if best.rim_seen < _LEAST_RIM_MM:
        return f"only {best.rim_seen:.0f} mm of the rim are seen beside the head"
    if best.dome_seen < _LEAST_DOME_MM:
        return f"only {best.dome_seen:.0f} mm of the dome are seen"
    if best.rms > _MOST_RMS_MM * max(1.0, film.magnification if not film.has_spacing else 1.0):
        return f"edges stray {best.rms:.2f} mm (rms) from the fitted outline"
    if runner_up is not None and runner_up.explained > 0.95 * best.explained:
        return (
            "a second outline fits as well: "
            f"{runner_up.model.inclination_deg:.0f}/{runner_up.model.anteversion_deg:.0f} deg"
        )
    return ""


def _table(values: list[tuple[float, float]], method: str, notes: list[str]) -> pd.DataFrame:
    names = ("inclination", "anteversion")
    return pd.DataFrame(
        {
            "quantity": names,
            "zone": "",
            "value": [value for value, _ in values],
            "unit": [QUANTITIES[name].unit for name in names],
            "sd": [sd for _, sd in values],
            "method": method,
            "note": notes,
        }
    )
