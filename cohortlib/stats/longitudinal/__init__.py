"""Values of hips at several visits: arms compared at the last one, and over all of them."""

from cohortlib.stats.longitudinal.covariance import last_visit_difference
from cohortlib.stats.longitudinal.exploratory import with_corrected_zones
from cohortlib.stats.longitudinal.mixed import visit_differences

__all__ = ["last_visit_difference", "visit_differences", "with_corrected_zones"]
