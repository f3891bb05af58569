"""Cup inclination and anteversion of one hip on one film, from a reader's seed marks and the pixels."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.image import Radiograph
from cohortlib.measure.cup.fit import CupFit
from cohortlib.measure.cup.rim import ambiguity_note
from cohortlib.measure.cup.search import FilmFit, film_fit, other_pose
from cohortlib.quantities import QUANTITIES

#: A value less certain than this is not given (1 SD). Published film methods err by about 1 to 4 degrees
#: (Bachhal V et al., Int Orthop 2012;36:1813-8).
MOST_SD_DEG = {"inclination": 1.5, "anteversion": 1.5}
_LEAST_SLACK_DEG = 1.5
#: What errors of some millimetres in beam centre, distances and scale leave (worked out for 1150 mm).
_BEAM_SD_DEG = 0.15
_MOST_RIM_SD_DEG = 4.0
_LEAST_RIM_MM = 4.0
_LEAST_DOME_MM = 20.0
_MOST_RMS_MM = 0.6


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
    found = film_fit(
        radiograph,
        marks,
        side=side,
        head_diameter_mm=head_diameter_mm,
        cup_diameter_mm=cup_diameter_mm,
    )
    return cup_of_fit(found)


def cup_of_fit(found: FilmFit) -> pd.DataFrame:
    """Both angles of a cup from a fit that is there already; rows as in `cup_on_film`."""
    beam = "parallel beam" if found.film.source is None else "point projection"
    method = f"radiographic; cup outline, {beam}; {found.line.method}"
    if found.best is None:
        return _table([(np.nan, np.nan)] * 2, method, [fit_refusal(found)] * 2)
    values, notes = _values(found, found.best)
    return _table(values, method, notes)


def _values(found: FilmFit, best: CupFit) -> tuple[list[tuple[float, float]], list[str]]:
    """Value and standard deviation of both angles, and a note to each; NaN where it is not to be trusted."""
    turn = found.reading.sign * found.line.angle_deg
    chosen = (best.model.inclination_deg - turn, best.model.anteversion_deg)
    other = other_pose(best.model, turn)
    if other[1] > chosen[1]:
        chosen, other = other, chosen
    sds = np.sqrt(np.diag(best.covariance)[3:5])
    sds[0] = np.hypot(sds[0], found.line.sd_deg)
    sds[1] = np.hypot(sds[1], _BEAM_SD_DEG)
    refusal = fit_refusal(found)
    # A second pose that opens but little backwards counts as one that may be anteverted.
    slack = max(_LEAST_SLACK_DEG, 2.0 * float(sds[1])) if sds[1] <= MOST_SD_DEG["anteversion"] else 0.0
    note = ambiguity_note(chosen, other, slack_deg=slack)
    values, notes = [], []
    for k, quantity in enumerate(("inclination", "anteversion")):
        sd, reason = float(sds[k]), refusal
        apart = abs(chosen[k] - other[k])
        if not reason and sd > MOST_SD_DEG[quantity]:
            reason = f"too uncertain: 1 SD is {sd:.1f} deg, more than {MOST_SD_DEG[quantity]:g} deg"
        # Where the two poses nearly meet, the outline says little of how far they are apart.
        elif not reason and note and (quantity == "anteversion" or apart > 2.0 * MOST_SD_DEG[quantity]):
            reason = note
        elif note:
            sd = float(np.hypot(sd, apart / 2.0))
        values.append((np.nan if reason else float(chosen[k]), sd))
        notes.append(reason or note)
    return values, notes


def fit_refusal(found: FilmFit) -> str:
    """Why the fit as a whole is not to be trusted; "" if it is."""
    film, best, runner_up = found.film, found.best, found.runner_up
    if best is None:
        return "the cup's outline is not seen"
    if film.has_spacing and not 0.9 <= film.magnification <= 1.5:
        return (
            f"the head measures {film.magnification:.2f} times its labelled diameter: "
            "check head_diameter_mm and the marks"
        )
    if min(best.rim_seen) < _LEAST_RIM_MM:
        return f"only {min(best.rim_seen):.0f} mm of the rim are seen at one of its ends"
    if best.dome_seen < _LEAST_DOME_MM:
        return f"only {best.dome_seen:.0f} mm of the dome are seen"
    rim_sd = float(np.sqrt(best.covariance[4, 4]))
    if rim_sd > _MOST_RIM_SD_DEG:
        return f"the rim is hardly seen: it leaves anteversion uncertain by {rim_sd:.0f} deg (1 SD)"
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
