"""The zones about cup, stem and peg as polygons anchored on the component; figures draw these alone."""

from cohortlib.geometry.polygon import Zone, zone_of
from cohortlib.measure.zones.acetabular import acetabular_zones
from cohortlib.measure.zones.pixels import zone_pixels
from cohortlib.measure.zones.stem import femoral_zones, resurfacing_zones

__all__ = ["Zone", "acetabular_zones", "femoral_zones", "resurfacing_zones", "zone_of", "zone_pixels"]
