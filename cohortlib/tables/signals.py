"""Signals: what a gait curve may show, with its units and the direction that counts as positive."""

from __future__ import annotations

from typing import NamedTuple

#: A force in 1 is a multiple of body weight.
_FORCE = ("N", "N/kg", "1")
_ANGLE, _MOMENT, _POWER = ("deg",), ("N.m", "N.m/kg"), ("W", "W/kg")


class Signal(NamedTuple):
    """One signal: UCUM codes of its units, and what a positive value means for the leg it belongs to."""

    units: tuple[str, ...]
    positive: str


#: Names and signs of the hip and ankle angles: Wu G et al., J Biomech 2002;35:543-8 (from memory); all
#: others: common practice, no source. Moments are internal, what muscles and ligaments do; external
#: moments have the other sign.
SIGNALS = {
    "vertical ground reaction force": Signal(_FORCE, "upwards on the body"),
    "anterior ground reaction force": Signal(_FORCE, "forwards on the body"),
    "medial ground reaction force": Signal(_FORCE, "towards the other leg"),
    "pelvic tilt angle": Signal(_ANGLE, "the front of the pelvis down"),
    "pelvic obliquity angle": Signal(_ANGLE, "this side up"),
    "pelvic rotation angle": Signal(_ANGLE, "this side forwards"),
    "trunk lean angle": Signal(_ANGLE, "towards this side"),
    "hip flexion angle": Signal(_ANGLE, "flexed"),
    "hip adduction angle": Signal(_ANGLE, "adducted"),
    "hip internal rotation angle": Signal(_ANGLE, "turned inwards"),
    "knee flexion angle": Signal(_ANGLE, "flexed"),
    "ankle dorsiflexion angle": Signal(_ANGLE, "the toes up"),
    "foot progression angle": Signal(_ANGLE, "the toes inwards"),
    "hip extension moment": Signal(_MOMENT, "extending"),
    "hip abduction moment": Signal(_MOMENT, "abducting"),
    "hip internal rotation moment": Signal(_MOMENT, "turning inwards"),
    "knee extension moment": Signal(_MOMENT, "extending"),
    "ankle plantarflexion moment": Signal(_MOMENT, "pressing the toes down"),
    "hip power": Signal(_POWER, "work done by the muscles"),
    "knee power": Signal(_POWER, "work done by the muscles"),
    "ankle power": Signal(_POWER, "work done by the muscles"),
}
SIGNAL_UNITS = tuple(dict.fromkeys(unit for signal in SIGNALS.values() for unit in signal.units))
