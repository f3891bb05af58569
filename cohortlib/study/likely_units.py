"""A number that cannot be in its unit: in which other unit it would make sense."""

from __future__ import annotations

from cohortlib.tables import Column

#: UCUM code of a column → other units and how many of the column's unit they are. The pound and the
#: inch by the international agreement of 1959, the others by their prefixes (UCUM, ucum.org).
_OTHER_UNITS: dict[str, tuple[tuple[str, float], ...]] = {
    "cm": (("m", 100.0), ("mm", 0.1), ("[in_i]", 2.54)),
    "mm": (("cm", 10.0), ("m", 1000.0), ("um", 0.001)),
    "kg": (("g", 0.001), ("[lb_av]", 0.45359237)),
    "g/cm2": (("mg/cm2", 0.001), ("kg/m2", 0.1)),
    "cm2": (("mm2", 0.01), ("m2", 10_000.0)),
    "m/s": (("km/h", 1 / 3.6), ("cm/s", 0.01), ("mm/s", 0.001)),
    "mGy": (("uGy", 0.001), ("Gy", 1000.0)),
    "mGy.cm": (("uGy.cm", 0.001), ("Gy.cm", 1000.0), ("mGy.m", 100.0)),
    "kV": (("V", 0.001),),
    "deg": (("rad", 57.29577951308232),),
}


def unit_remedy(value: float, column: Column) -> str:
    """What may have happened to a number outside the limits of its column; "" if nothing fits."""
    least, greatest = column.allowed
    for unit, size in _OTHER_UNITS.get(column.unit, ()):
        if least <= value * size <= greatest:
            return (
                f"{value:.10g} {unit} are {value * size:.4g} {column.unit}: if the column is in {unit}, "
                f"convert all of it to {column.unit}"
            )
    if least <= value / 10 <= greatest and value == int(value):
        return f"A decimal mark may be missing ({value / 10:.10g}): look at the source"
    if column.unit == "a" and 0 <= value < 100:
        return "Write the year with four digits"
    return ""
