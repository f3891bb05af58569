"""The data dictionary (what every column is) and Study (a definition with its checked tables)."""

from cohortlib.tables.column import SIDES, YES_NO, Column, Kind
from cohortlib.tables.dictionary import DICTIONARY, KEYS, REQUIRED_TABLES, ROWS
from cohortlib.tables.grading_scales import GRADING_SCALES, GradingScale
from cohortlib.tables.imaging import LANDMARKS, OF_BOTH_SIDES, ZONE_STATES
from cohortlib.tables.rows import ESTIMATE_COLUMNS, MEASUREMENT_COLUMNS
from cohortlib.tables.signals import SIGNALS, Signal
from cohortlib.tables.study import Study
from cohortlib.tables.zones import ZONE_SYSTEMS, ZoneSystem

__all__ = [
    "DICTIONARY",
    "ESTIMATE_COLUMNS",
    "GRADING_SCALES",
    "KEYS",
    "LANDMARKS",
    "MEASUREMENT_COLUMNS",
    "OF_BOTH_SIDES",
    "REQUIRED_TABLES",
    "ROWS",
    "SIDES",
    "SIGNALS",
    "YES_NO",
    "ZONE_STATES",
    "ZONE_SYSTEMS",
    "Column",
    "GradingScale",
    "Kind",
    "Signal",
    "Study",
    "ZoneSystem",
]
