"""The study folder and the Study: reading, checking, visit windows."""

from cohortlib.study.completeness import completeness
from cohortlib.study.folder import check_study, read_study

__all__ = ["check_study", "completeness", "read_study"]
