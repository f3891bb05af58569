"""Cohort imaging and outcome analysis for clinical studies of hip implants."""

__version__ = "0.7.0"
