"""LucentLine: a radiolucent line between an implant and its bone, frozen."""

from __future__ import annotations

from dataclasses import dataclass

from cohortlib.synthetic.recipe_limits import Problem, not_among, not_between, refuse

INTERFACES = ("cup", "stem")
#: Zones about the cup, and about the stem of each design; the names of the systems are those of
#: `tables.ZONE_SYSTEMS`.
ZONES = {"cup": 3, "short_stem": 7, "resurfacing": 3}
ZONE_SYSTEM = {"cup": "cup_3", "short_stem": "stem_7", "resurfacing": "resurfacing_stem_3"}


@dataclass(frozen=True)
class LucentLine:
    """A layer of fibrous tissue of one width between implant and bone, over a part of one zone.

    Attributes
    ----------
    interface
        "cup" or "stem".
    zone
        Number of the zone; counted along the interface, of the cup from lateral to medial, of the stem
        down its lateral side, about the tip and up its medial side.
    width_mm
        Thickness across the interface as the beam meets it, in the patient [mm].
    extent
        Part of the zone's length that has the line, 0 to 1.
    start
        Where it begins, as a part of the zone's length in the direction of counting.
    sclerosis_mm
        Thickness of the margin of dense bone behind the layer [mm]; 0 leaves it out.
    """

    interface: str
    zone: int
    width_mm: float
    extent: float = 1.0
    start: float = 0.0
    sclerosis_mm: float = 0.0

    def __post_init__(self) -> None:
        refuse(
            not_among("interface", self.interface, INTERFACES),
            not_between("zone", self.zone, 1, max(ZONES.values())),
            not_between("width_mm", self.width_mm, 0.1, 5.0),
            not_between("extent", self.extent, 0.01, 1.0),
            not_between("start", self.start, 0.0, 1.0),
            not_between("start and extent", self.start + self.extent, 0.01, 1.0 + 1e-9),
            not_between("sclerosis_mm", self.sclerosis_mm, 0.0, 3.0),
        )


def line_problems(lines: tuple[LucentLine, ...], design: str) -> list[Problem | None]:
    """What is wrong with the lines of one implant: zones that its stem does not have, a zone twice."""
    places = [(line.interface, line.zone) for line in lines]
    found = [
        not_between("zone about the stem", line.zone, 1, ZONES[design])
        for line in lines
        if line.interface == "stem" and design in ZONES
    ]
    found += [not_between("zone about the cup", line.zone, 1, 3) for line in lines if line.interface == "cup"]
    twice = max(map(places.count, places), default=0)
    return [*found, not_between("number of lines in one zone", twice, 0, 1)]
