"""Marks and pixels of films to measurements, a file or folder for each part of the body."""

from cohortlib.measure.marked import measurements_from_marks

__all__ = ["measurements_from_marks"]
