"""Maps of the bone around an implant: zones filled by what was found in them."""

from cohortlib.figures.zones.map import plot_zone_map

__all__ = ["plot_zone_map"]
