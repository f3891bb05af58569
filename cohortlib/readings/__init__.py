"""Readings: what readers marked and graded, kept append-only; worklists, adjudication, lock."""

from cohortlib.readings.adjudication import make_adjudication_list
from cohortlib.readings.discrepancies import (
    grade_discrepancies,
    grading_discrepancies,
    measurement_discrepancies,
)
from cohortlib.readings.imports import file_provenance
from cohortlib.readings.opening import open_readings
from cohortlib.readings.postgres_server import check_host_named, check_study_address
from cohortlib.readings.worklist import make_worklist

__all__ = [
    "check_host_named",
    "check_study_address",
    "file_provenance",
    "grade_discrepancies",
    "grading_discrepancies",
    "make_adjudication_list",
    "make_worklist",
    "measurement_discrepancies",
    "open_readings",
]
