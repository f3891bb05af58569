"""Where the cup stands: inclination and anteversion, in three definitions, from a film or its rim."""

from cohortlib.measure.cup.centre import cup_centre
from cohortlib.measure.cup.cover import arc_of_cover, contact_patch_to_rim_distance
from cohortlib.measure.cup.definitions import cup_orientation, cup_orientation_after_tilt
from cohortlib.measure.cup.film import cup_on_film
from cohortlib.measure.cup.outlines import cup_outlines
from cohortlib.measure.cup.rim import CupOrientation, cup_orientation_from_rim

__all__ = [
    "CupOrientation",
    "arc_of_cover",
    "contact_patch_to_rim_distance",
    "cup_centre",
    "cup_on_film",
    "cup_orientation",
    "cup_orientation_after_tilt",
    "cup_orientation_from_rim",
    "cup_outlines",
]
