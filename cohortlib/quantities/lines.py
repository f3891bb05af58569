"""What is measured of radiolucent lines, zone by zone: how wide, and over how much of the zone."""

from __future__ import annotations

from cohortlib.quantities.quantity import PRACTICE, Quantity

_SOURCE = f"zones: DeLee JG & Charnley J, Clin Orthop Relat Res 1976;121:20-32; the measurement: {PRACTICE}"

LINES = (
    Quantity(
        name="line_width_cup_3",
        unit="mm",
        what="Mean width of the radiolucent line along the cup in a zone, over the length that has one, in "
        "millimetres of the patient.",
        means="A zone without a line has no width and an extent of 0. Not seen is not the same as not there: "
        "lines of less than about 0.5 mm may be missed.",
        marks=("teardrop", "head_edge", "cup_rim"),
        source=_SOURCE,
        zones="cup_3",
    ),
    Quantity(
        name="line_extent_cup_3",
        unit="%",
        what="Part of the length of a zone along the cup that has a radiolucent line.",
        means="0 = no line, 90 and more = complete; empty = not assessable, which is not the same as none.",
        marks=("teardrop", "head_edge", "cup_rim"),
        source=_SOURCE,
        zones="cup_3",
    ),
)
