"""Precision: how far a measurement of the same hip differs when nothing has changed, and what follows."""

from cohortlib.stats.precision.error import precision_error, published_precision
from cohortlib.stats.precision.pooling import pooled_precision, precision_homogeneity
from cohortlib.stats.precision.significant import least_significant_change

__all__ = [
    "least_significant_change",
    "pooled_precision",
    "precision_error",
    "precision_homogeneity",
    "published_precision",
]
