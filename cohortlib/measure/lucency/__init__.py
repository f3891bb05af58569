"""Radiolucent lines measured from pixels: profiles across the interface of metal and bone."""

from cohortlib.measure.lucency.lines import radiolucent_lines

__all__ = ["radiolucent_lines"]
