"""Radiolucent lines about an implant, measured from pixels."""

from cohortlib.measure.lucency.lines import radiolucent_lines

__all__ = ["radiolucent_lines"]
