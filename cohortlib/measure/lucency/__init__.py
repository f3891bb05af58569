"""Radiolucent lines measured from pixels: profiles across the interface of metal and bone."""

from cohortlib.measure.lucency.lines import radiolucent_lines
from cohortlib.measure.lucency.rows import LUCENCY_COLUMNS

__all__ = ["LUCENCY_COLUMNS", "radiolucent_lines"]
