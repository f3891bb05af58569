"""The three zones about a cup."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.geometry.polygon import Zone
from cohortlib.geometry.robust import points_array
from cohortlib.measure.cup.rim import lateral_sign
from cohortlib.tables import ZONE_SYSTEMS

Array = NDArray[np.float64]
SYSTEM = "cup_3"
_STEP_DEG = 3.0


def acetabular_zones(
    centre_mm: ArrayLike, radius_mm: float, opening_mm: ArrayLike, *, side: str, reach_mm: float = 10.0
) -> list[Zone]:
    """Three sectors about the cup: 1 lateral, 2 at the dome, 3 medial.

    Parameters
    ----------
    centre_mm : (2,)
        Centre of the dome's shadow on the film [mm]: x to the image's right, y up.
    radius_mm
        Of the dome's shadow [mm].
    opening_mm : (2, 2)
        Both ends of the opening, in any order.
    side
        "left" or "right", of the patient.
    reach_mm
        How far the zones reach beyond the dome [mm].

    Returns
    -------
    list of Zone
        Of the system "cup_3", "1" first.

    Raises
    ------
    StudyError
        If the ends lie at one place or a size is not above 0.

    Notes
    -----
    Equal thirds of the angle about the centre, from the lateral end of the opening over the dome to the
    medial end. The sectors begin at the centre, so that both sides of the edge of the metal lie in them.

    References
    ----------
    DeLee JG & Charnley J, Clin Orthop Relat Res 1976;121:20-32 (three zones; equal thirds from memory).
    """
    if not (radius_mm > 0 and reach_mm > 0):
        raise study_error(
            column="radius_mm, reach_mm",
            found=f"{radius_mm}, {reach_mm}",
            expected="sizes above 0 mm",
            remedy="Give the radius of the cup as the film shows it",
        )
    centre = np.asarray(centre_mm, dtype=float)
    ends = points_array(opening_mm, least=2, shape="the opening")
    sign = lateral_sign(side)
    ends = ends[np.argsort(-sign * ends[:, 0])]
    across = sign * (ends[0] - ends[1])
    dome = np.arctan2(across[0], -across[1])  # across the opening, to the head of the patient

    def turned(place: Array) -> float:
        """Angle about the centre from the middle of the dome, + to the lateral side."""
        angle = np.arctan2(place[1] - centre[1], place[0] - centre[0]) - dome
        return float(-sign * ((angle + np.pi) % (2.0 * np.pi) - np.pi))

    edges = np.linspace(turned(ends[0]), turned(ends[1]), 4)
    return [
        Zone(SYSTEM, name, _sector(centre, radius_mm + reach_mm, dome - sign * edges[k : k + 2]))
        for k, name in enumerate(ZONE_SYSTEMS[SYSTEM].names)
    ]


def _sector(centre: Array, reach: float, angles: Array) -> Array:
    """Corners of a sector: the centre, then along the arc."""
    count = max(2, int(np.ceil(np.degrees(abs(angles[1] - angles[0])) / _STEP_DEG)) + 1)
    turn = np.linspace(angles[0], angles[1], count)
    return np.vstack([centre, centre + reach * np.column_stack([np.cos(turn), np.sin(turn)])])
