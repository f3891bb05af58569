"""Quantity: one row of the catalogue of what may be measured."""

from __future__ import annotations

from dataclasses import dataclass

PRACTICE = "common practice, no source"


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
