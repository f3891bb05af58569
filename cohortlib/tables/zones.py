"""Zone systems: regions of the bone around an implant, by the names the study uses."""

from __future__ import annotations

from typing import NamedTuple


class ZoneSystem(NamedTuple):
    """One system: the bone, how many zones, from where to where they are counted, who described it."""

    bone: str
    zones: int
    counted: str
    source: str

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the zones, "1" first."""
        return tuple(str(number + 1) for number in range(self.zones))


_LATERAL_TO_MEDIAL = "from lateral to medial"
_DOWN_AND_UP = "lateral from top to bottom, the tip, medial from bottom to top"

ZONE_SYSTEMS = {
    "cup_3": ZoneSystem(
        "acetabulum", 3, _LATERAL_TO_MEDIAL, "DeLee JG & Charnley J, Clin Orthop Relat Res 1976;121:20-32"
    ),
    "stem_7": ZoneSystem("femur", 7, _DOWN_AND_UP, "Gruen TA et al., Clin Orthop Relat Res 1979;141:17-27"),
    "resurfacing_stem_3": ZoneSystem("femur", 3, _DOWN_AND_UP, "common practice, no source"),
    "neck_1": ZoneSystem("femoral neck", 1, "the whole neck", "Penny JO et al., Acta Orthop 2010;81:318-23"),
    "neck_2": ZoneSystem(
        "femoral neck", 2, _LATERAL_TO_MEDIAL, "Penny JO et al., Acta Orthop 2010;81:318-23; order: no source"
    ),
    "neck_6": ZoneSystem(
        "femoral neck",
        6,
        "lateral from top to bottom, then medial from top to bottom",
        "Penny JO et al., Acta Orthop 2010;81:318-23; order: no source",
    ),
}
