"""What is measured of radiolucent lines, zone by zone: how wide, and over how much of the zone."""

from __future__ import annotations

from cohortlib.quantities.quantity import PRACTICE, Quantity

_CUP = ("teardrop", "head_edge", "cup_rim")
_STEM = ("stem_axis", "stem_tip", "stem_shoulder")
_PEG = ("stem_axis", "stem_tip", "neck_edge")
#: System of zones → the component along which the lines are, the marks that it takes, whose zones they are.
_ALONG = {
    "cup_3": ("cup", _CUP, "DeLee JG & Charnley J, Clin Orthop Relat Res 1976;121:20-32"),
    "stem_7": ("stem", _STEM, "Gruen TA et al., Clin Orthop Relat Res 1979;141:17-27"),
    "resurfacing_stem_3": ("peg of a resurfacing", _PEG, PRACTICE),
}


def _lines(system: str) -> tuple[Quantity, Quantity]:
    component, marks, zones = _ALONG[system]
    source = f"zones: {zones}; the measurement: {PRACTICE}"
    return (
        Quantity(
            name=f"line_width_{system}",
            unit="mm",
            what=f"Mean width of the radiolucent line along the {component} in a zone, over the length that "
            "has one, in millimetres of the patient.",
            means="A zone without a line has no width and an extent of 0. Not seen is not the same as not "
            "there: lines of less than about 0.5 mm may be missed.",
            marks=marks,
            source=source,
            zones=system,
        ),
        Quantity(
            name=f"line_extent_{system}",
            unit="%",
            what=f"Part of the length of a zone along the {component} that has a radiolucent line.",
            means="0 = no line, 90 and more = complete; empty = not assessable, not the same as none.",
            marks=marks,
            source=source,
            zones=system,
        ),
    )


LINES = tuple(quantity for system in _ALONG for quantity in _lines(system))
