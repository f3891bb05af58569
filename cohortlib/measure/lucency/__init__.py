"""Radiolucent lines measured from pixels: profiles across the interface of metal and bone."""

from cohortlib.measure.lucency.lines import radiolucent_lines
from cohortlib.measure.lucency.profiles import PROFILE_COLUMNS, interface_profiles
from cohortlib.measure.lucency.rows import COMPLETE_PERCENT, LUCENCY_COLUMNS

__all__ = [
    "COMPLETE_PERCENT",
    "LUCENCY_COLUMNS",
    "PROFILE_COLUMNS",
    "interface_profiles",
    "radiolucent_lines",
]
