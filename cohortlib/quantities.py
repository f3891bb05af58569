"""QUANTITIES: what may be measured; one row a quantity, its meaning said once."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """One row of the catalogue.

    Attributes
    ----------
    name
        As it stands in the `quantity` column of a measurement table.
    unit
        UCUM code of the value.
    what
        The definition.
    means
        How to read it, in clinic words.
    marks
        Landmarks a reader must have placed.
    source
        Where the definition comes from.
    zones
        Name of the zone system, or "".
    """

    name: str
    unit: str
    what: str
    means: str
    marks: tuple[str, ...]
    source: str
    zones: str = ""


_MURRAY = "Murray DW, J Bone Joint Surg Br 1993;75:228-32"

_CATALOGUE = (
    Quantity(
        name="inclination",
        unit="deg",
        what="Radiographic inclination: the angle, on the film, between the cup axis and the "
        "patient's long axis, taken as the perpendicular of the inter-teardrop line.",
        means="Larger = the cup opens more to the side (steeper).",
        marks=("teardrop", "head_edge", "cup_rim"),
        source=_MURRAY,
    ),
    Quantity(
        name="anteversion",
        unit="deg",
        what="Radiographic anteversion: the angle between the cup axis and the plane of the film.",
        means="Larger = the cup opens more to the front. One film cannot tell front from back: "
        "the anteverted answer is given.",
        marks=("teardrop", "head_edge", "cup_rim"),
        source=_MURRAY,
    ),
)

QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in _CATALOGUE}
