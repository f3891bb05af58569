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
_PRACTICE = "common practice, no source"
_WEBER = "Weber M et al., J Arthroplasty 2014;29:1661-5"
_HING = "from memory: Hing CB et al., J Bone Joint Surg Br 2007;89:1431-8"
_ENGH = "from memory: Engh CA et al., Clin Orthop Relat Res 1990;257:107-28"

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
        source=_PRACTICE,
    ),
    Quantity(
        name="hip_centre_vertical",
        unit="mm",
        what="Distance of the head's centre from the inter-teardrop line.",
        means="Larger = higher; about 12 to 18, called high above 35 (from memory).",
        marks=("teardrop", "head_edge"),
        source=_PRACTICE,
    ),
    Quantity(
        name="cup_migration_lateral",
        unit="mm",
        what="Change of hip_centre_horizontal from a named earlier film.",
        means="+ = to the lateral side. Below the detection limit in its note it is not told from none.",
        marks=(),
        source=_PRACTICE,
    ),
    Quantity(
        name="cup_migration_proximal",
        unit="mm",
        what="Change of hip_centre_vertical from a named earlier film.",
        means="+ = to the head of the patient. Below the detection limit in its note it is not told from "
        "none.",
        marks=(),
        source=_PRACTICE,
    ),
    Quantity(
        name="stem_shaft_angle",
        unit="deg",
        what="Angle on the medial side between the axis of stem or peg and the axis of the femoral shaft.",
        means="Smaller = varus. A peg stands at about the neck-shaft angle, a stem in line with the shaft "
        "at 180.",
        marks=("stem_axis", "shaft_axis"),
        source="from memory: Beaulé PE et al., J Bone Joint Surg Am 2004;86:2015-21",
    ),
    Quantity(
        name="neck_shaft_angle",
        unit="deg",
        what="Angle on the medial side between the axis of the neck (its middle to the head's centre) and "
        "that of the shaft.",
        means="120 to 135 is usual; less than 120 is varus, more than 140 valgus (from memory).",
        marks=("head_edge", "neck_edge", "shaft_axis"),
        source=_PRACTICE,
    ),
    Quantity(
        name="femoral_offset",
        unit="mm",
        what="Perpendicular distance of the head's centre from the axis of the femoral shaft, on the film.",
        means="Rotation of the femur makes it smaller; changes below about 10 mm are not real on plain "
        "films.",
        marks=("head_edge", "shaft_axis"),
        source=_WEBER,
    ),
    Quantity(
        name="global_offset",
        unit="mm",
        what="Femoral offset, and the distance of the head's centre from the vertical through the teardrop.",
        means="Larger = the femur stands further from the pelvis.",
        marks=("head_edge", "shaft_axis", "teardrop"),
        source=_WEBER,
    ),
    Quantity(
        name="neck_width",
        unit="mm",
        what="Distance between the upper and lower edge of the neck at its narrowest below the component.",
        means="A change between films needs the same scale: the ratio to the head does not.",
        marks=("neck_edge",),
        source=_HING,
    ),
    Quantity(
        name="neck_head_ratio",
        unit="1",
        what="Width of the neck over diameter of the head on the same film.",
        means="A fall is narrowing of the neck.",
        marks=("neck_edge", "head_edge"),
        source=_HING,
    ),
    Quantity(
        name="head_neck_ratio",
        unit="1",
        what="Diameter of the head over width of the neck on the same film.",
        means="Below about 1.2 neck and rim meet early (from memory).",
        marks=("neck_edge", "head_edge"),
        source=_PRACTICE,
    ),
    Quantity(
        name="neck_narrowing_relative",
        unit="%",
        what="Fall of the neck/head ratio from a named earlier film, as a part of the earlier ratio.",
        means="+ = narrower; more than 10 has been called significant. Not percentage points.",
        marks=(),
        source=_HING,
    ),
    Quantity(
        name="neck_narrowing_points",
        unit="%",
        what="Fall of the neck/head ratio from a named earlier film, in percentage points of the head's "
        "diameter.",
        means="+ = narrower; more than 10 has been called significant. Not relative.",
        marks=(),
        source=_HING,
    ),
    Quantity(
        name="notching_depth",
        unit="mm",
        what="Depth of a notch of the neck below the line over its two edges.",
        means="Larger = deeper.",
        marks=("notch_floor", "notch_edge"),
        source=_PRACTICE,
    ),
    Quantity(
        name="stem_depth",
        unit="mm",
        what="How far the shoulder of the stem stands below the tip of the greater trochanter, along the "
        "shaft.",
        means="An increase between films is subsidence.",
        marks=("stem_shoulder", "greater_trochanter_tip", "shaft_axis"),
        source=_PRACTICE,
    ),
    Quantity(
        name="peg_depth",
        unit="mm",
        what="How far the tip of the peg stands below the tip of the greater trochanter, along the peg.",
        means="An increase between films is subsidence.",
        marks=("stem_tip", "greater_trochanter_tip", "stem_axis"),
        source=_PRACTICE,
    ),
    Quantity(
        name="subsidence",
        unit="mm",
        what="Increase of stem_depth or peg_depth from a named earlier film.",
        means="+ = the component stands deeper. Below the detection limit in its note it is not told from "
        "none.",
        marks=(),
        source=_PRACTICE,
    ),
    Quantity(
        name="hip_length",
        unit="mm",
        what="How far the lesser trochanter stands below the inter-teardrop line.",
        means="Larger = longer.",
        marks=("teardrop", "lesser_trochanter"),
        source=_WEBER,
    ),
    Quantity(
        name="leg_length_difference",
        unit="mm",
        what="hip_length of this side less that of the other.",
        means="+ = this leg is longer at the hip.",
        marks=("teardrop", "lesser_trochanter"),
        source=_WEBER,
    ),
    Quantity(
        name="pelvic_tilt",
        unit="deg",
        what="Tilt of the pelvis about its transverse axis, estimated from symphysis and sacrococcygeal "
        "joint.",
        means="+ = anterior; 0 = anterior pelvic plane parallel to the film. An estimate: good to about 6 "
        "degrees; a change is better known.",
        marks=("symphysis_top", "sacrococcygeal_joint", "teardrop"),
        source="Tannast M et al., Skeletal Radiol 2006",
    ),
    Quantity(
        name="pelvic_rotation",
        unit="deg",
        what="Rotation of the pelvis about its long axis, estimated from symphysis and sacrococcygeal joint.",
        means="+ = its front turned to the side of this hip. An estimate.",
        marks=("symphysis_top", "sacrococcygeal_joint", "teardrop"),
        source=_PRACTICE,
    ),
    Quantity(
        name="ossification",
        unit="1",
        what="Grade of bone beside the hip: 0 none, 1 islands, 2 spurs at least 10 mm apart, 3 spurs less "
        "than 10 mm apart, 4 bridged.",
        means="Higher = more. Graded by readers; one AP film over-calls bridges.",
        marks=(),
        source="from memory: Brooker AF et al., J Bone Joint Surg Am 1973;55:1629-32",
    ),
    Quantity(
        name="cup_demarcation",
        unit="1",
        what="Grade of the lucent line about a cup: 0 none, 1 outer third, 2 outer and middle third, 3 "
        "complete, 4 migrated.",
        means="Higher = looser. Graded by readers.",
        marks=(),
        source="from memory: Hodgkinson JP et al., Clin Orthop Relat Res 1988;228:105-9",
    ),
    Quantity(
        name="stem_fixation_score",
        unit="1",
        what="Points for lines at the porous part and for bone that bridges to it.",
        means="-7.5 to 10; higher = more fixed.",
        marks=(),
        source=_ENGH,
    ),
    Quantity(
        name="stem_stability_score",
        unit="1",
        what="Points for lines at the smooth part, pedestal, calcar, interface, migration and particles.",
        means="-25 to 17; higher = more stable.",
        marks=(),
        source=_ENGH,
    ),
    Quantity(
        name="stem_score",
        unit="1",
        what="Points for fixation and stability together.",
        means="Above 10 ingrown, 0 to 10 suspected ingrown, -10 to 0 fibrous and stable, below -10 unstable"
        " (from memory).",
        marks=(),
        source=_ENGH,
    ),
)

QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in _CATALOGUE}
