"""QUANTITIES: what may be measured; one row a quantity, its meaning said once."""

from cohortlib.quantities.cup import CUP
from cohortlib.quantities.femur import FEMUR
from cohortlib.quantities.grades import GRADES
from cohortlib.quantities.lines import LINES
from cohortlib.quantities.pelvis import PELVIS
from cohortlib.quantities.quantity import Quantity

QUANTITIES: dict[str, Quantity] = {
    quantity.name: quantity for part in (CUP, FEMUR, PELVIS, LINES, GRADES) for quantity in part
}

__all__ = ["QUANTITIES", "Quantity"]
