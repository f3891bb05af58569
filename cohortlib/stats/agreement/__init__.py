"""Agreement of readings: how far apart, how much alike, and how much change is more than reading twice."""

from cohortlib.stats.agreement.detectable import smallest_detectable_change
from cohortlib.stats.agreement.hip_gradings import hip_gradings
from cohortlib.stats.agreement.intraclass import intraclass_correlation
from cohortlib.stats.agreement.kappa import kappa
from cohortlib.stats.agreement.limits import limits_of_agreement
from cohortlib.stats.agreement.overview import agreement_overview
from cohortlib.stats.agreement.pairs import reading_pairs
from cohortlib.stats.agreement.readers import reader_agreement
from cohortlib.stats.agreement.study_readers import study_agreement

__all__ = [
    "agreement_overview",
    "hip_gradings",
    "intraclass_correlation",
    "kappa",
    "limits_of_agreement",
    "reader_agreement",
    "reading_pairs",
    "smallest_detectable_change",
    "study_agreement",
]
