"""The study folder and the Study: beginning one, reading, checking, visit windows."""

from cohortlib.study.blank.write import write_empty_study
from cohortlib.study.completeness import completeness
from cohortlib.study.folder import check_study, read_study

__all__ = ["check_study", "completeness", "read_study", "write_empty_study"]
