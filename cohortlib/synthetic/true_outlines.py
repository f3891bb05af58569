"""The true edges of implants on an invented film, and the zone of every place on them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from skimage.measure import find_contours

from cohortlib.synthetic.anatomy import Anatomy
from cohortlib.synthetic.film import detector
from cohortlib.synthetic.interface import Interface, cup_interface, stem_interface
from cohortlib.synthetic.lucent_line import ZONE_SYSTEM
from cohortlib.synthetic.placement import scene
from cohortlib.synthetic.recipe import FilmRecipe
from cohortlib.tables import ZONE_SYSTEMS

Array = NDArray[np.floating]
#: Within one pixel the length along an edge does not grow by more [mm].
_STEP_MM = 2.0


class TrueOutline(NamedTuple):
    """One edge of metal on a film.

    Attributes
    ----------
    side, zone_system
        Of the hip; of `tables.ZONE_SYSTEMS`.
    edge_px : (n, 2: x_px, y_px)
        The edge of the shadow beside its zones, from the first of them to the last or the other way.
    zone : (n,)
        Number of the zone of each point.
    magnification
        Millimetres on the film over those of the patient, at the centre of the cup.
    """

    side: str
    zone_system: str
    edge_px: Array
    zone: NDArray[np.int64]
    magnification: float

    @property
    def zones(self) -> dict[str, NDArray[np.bool_]]:
        """Which points belong to which zone, by name."""
        names = ZONE_SYSTEMS[self.zone_system].names
        return {name: self.zone == number for number, name in enumerate(names, start=1)}


def true_outlines(recipe: FilmRecipe, anatomy: Anatomy) -> list[TrueOutline]:
    """The edges of every cup and stem on a film, where the generator put them.

    No reader and no fit is in them: they show what a measurement beside metal can do at its best.

    Parameters
    ----------
    recipe, anatomy
        What the film is made from.

    Returns
    -------
    list of TrueOutline
        The cup and the stem or peg of each implant. Empty without an implant.
    """
    placed, grid = scene(recipe, anatomy), detector(recipe)
    found = []
    for implant in placed.implants:
        own = implant.recipe
        magnification = float(grid.source_to_detector_mm / implant.cup_centre_mm[1])
        for system, interface in (
            (ZONE_SYSTEM["cup"], cup_interface(implant, grid)),
            (ZONE_SYSTEM[own.design], stem_interface(implant, grid)),
        ):
            found.append(TrueOutline(own.side, system, *_edge_and_zones(interface), magnification))
    return found


def _edge_and_zones(interface: Interface) -> tuple[Array, NDArray[np.int64]]:
    """The edge of the metal (n, 2) in pixels beside its zones, and the zone of each point."""
    edge = max(find_contours(interface.outside_mm, 0.0), key=len)
    nearest, along = (map_coordinates(interface.along_mm, edge.T, order=order) for order in (0, 1))
    # Where the far end meets the first, the mean of both would lie somewhere in between.
    along = np.where(np.abs(along - nearest) < _STEP_MM, along, nearest)
    zone = np.digitize(along, interface.zone_edges_mm)
    inside = (zone >= 1) & (zone < len(interface.zone_edges_mm))
    if np.allclose(edge[0], edge[-1]):
        gap = np.flatnonzero(~inside)
        turn = -gap[len(gap) // 2] if len(gap) else 0
        edge, zone, inside = (np.roll(part[:-1], turn, axis=0) for part in (edge, zone, inside))
    kept = slice(*(np.flatnonzero(inside)[[0, -1]] + [0, 1]))
    corner = [interface.box[1].start, interface.box[0].start]
    return edge[kept, ::-1] + corner, zone[kept]
