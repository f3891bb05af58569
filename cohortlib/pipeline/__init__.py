"""A whole study at a time: its invented films made, its radiographs measured; parallel, cached, resumable."""

from cohortlib.pipeline.images import make_images
from cohortlib.pipeline.measuring import measure_study

__all__ = ["make_images", "measure_study"]
