"""What is measured of a cup: its orientation, its cover, where it stands in the pelvis."""

from __future__ import annotations

from cohortlib.quantities.quantity import PRACTICE, Quantity

_MURRAY = "Murray DW, J Bone Joint Surg Br 1993;75:228-32"

CUP = (
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
    Quantity(
        name="operative_inclination",
        unit="deg",
        what="Operative inclination: the angle between the cup axis and the patient's sagittal plane.",
        means="Larger = steeper. Not the radiographic one; at 40/15 it is 1.6 degrees less.",
        marks=(),
        source=_MURRAY,
    ),
    Quantity(
        name="operative_anteversion",
        unit="deg",
        what="Operative anteversion: the angle between the long axis and the cup axis, seen from the side.",
        means="Larger = opens more to the front. At 40/15 it is 4.3 degrees more than the radiographic one.",
        marks=(),
        source=_MURRAY,
    ),
    Quantity(
        name="anatomical_inclination",
        unit="deg",
        what="Anatomical inclination: the angle between the cup axis and the long axis.",
        means="Larger = steeper. At 40/15 it is 2.3 degrees more than the radiographic one.",
        marks=(),
        source=_MURRAY,
    ),
    Quantity(
        name="anatomical_anteversion",
        unit="deg",
        what="Anatomical anteversion: the angle between the transverse axis and the cup axis, seen from "
        "above.",
        means="Larger = opens more to the front. At 40/15 it is 7.6 degrees more than the radiographic one.",
        marks=(),
        source=_MURRAY,
    ),
    Quantity(
        name="contact_patch_to_rim_distance",
        unit="mm",
        what="Distance along the bearing from where the load passes to the nearest rim of the cup.",
        means="Smaller = the load passes nearer to the edge. The direction of the load is assumed; it "
        "stands in the method.",
        marks=(),
        source="from memory: Langton DJ et al., 2009 to 2011",
    ),
    Quantity(
        name="arc_of_cover",
        unit="deg",
        what="Half the arc of the bearing, and 90 degrees, less radiographic inclination.",
        means="Larger = more of the head is covered laterally.",
        marks=(),
        source="from memory: Langton DJ et al., 2009 to 2011",
    ),
    Quantity(
        name="hip_centre_horizontal",
        unit="mm",
        what="Distance of the head's centre from the teardrop, along the inter-teardrop line.",
        means="Larger = further lateral; about 30 to 35 (from memory).",
        marks=("teardrop", "head_edge"),
        source=PRACTICE,
    ),
    Quantity(
        name="hip_centre_vertical",
        unit="mm",
        what="Distance of the head's centre from the inter-teardrop line.",
        means="Larger = higher; about 12 to 18, called high above 35 (from memory).",
        marks=("teardrop", "head_edge"),
        source=PRACTICE,
    ),
    Quantity(
        name="cup_migration_lateral",
        unit="mm",
        what="Change of hip_centre_horizontal from a named earlier film.",
        means="+ = to the lateral side. Below the detection limit in its note it is not told from none.",
        marks=(),
        source=PRACTICE,
    ),
    Quantity(
        name="cup_migration_proximal",
        unit="mm",
        what="Change of hip_centre_vertical from a named earlier film.",
        means="+ = to the head of the patient. Below the detection limit in its note it is not told from "
        "none.",
        marks=(),
        source=PRACTICE,
    ),
    Quantity(
        name="cup_inclination_change",
        unit="deg",
        what="Change of inclination from a named earlier film.",
        means="+ = steeper. More than 5 either way has been called tilting (from memory). Below the "
        "detection limit in its note it is not told from none.",
        marks=(),
        source=PRACTICE,
    ),
    Quantity(
        name="inclination_in_pelvis",
        unit="deg",
        what="Radiographic inclination against the anterior pelvic plane, by tilt and rotation estimated "
        "from the same film.",
        means="Larger = steeper. Tilt from one film is known to about 6 degrees: compare changes.",
        marks=(),
        source=f"derived from {_MURRAY}",
    ),
    Quantity(
        name="anteversion_in_pelvis",
        unit="deg",
        what="Radiographic anteversion against the anterior pelvic plane, by tilt and rotation estimated "
        "from the same film.",
        means="Larger = the cup opens more to the front. Less certain than anteversion itself on one film; "
        "compare changes.",
        marks=(),
        source=f"derived from {_MURRAY}",
    ),
)
