"""What is measured of the femur and its component: angles, offset, neck, how deep it stands."""

from __future__ import annotations

from cohortlib.quantities.quantity import PRACTICE, Quantity

_WEBER = "Weber M et al., J Arthroplasty 2014;29:1661-5"
_HING = "from memory: Hing CB et al., J Bone Joint Surg Br 2007;89:1431-8"

FEMUR = (
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
        source=PRACTICE,
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
        source=PRACTICE,
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
        source=PRACTICE,
    ),
    Quantity(
        name="stem_depth",
        unit="mm",
        what="How far the shoulder of the stem stands below the tip of the greater trochanter, along the "
        "shaft.",
        means="An increase between films is subsidence.",
        marks=("stem_shoulder", "greater_trochanter_tip", "shaft_axis"),
        source=PRACTICE,
    ),
    Quantity(
        name="peg_depth",
        unit="mm",
        what="How far the tip of the peg stands below the tip of the greater trochanter, along the peg.",
        means="An increase between films is subsidence.",
        marks=("stem_tip", "greater_trochanter_tip", "stem_axis"),
        source=PRACTICE,
    ),
    Quantity(
        name="subsidence",
        unit="mm",
        what="Increase of stem_depth or peg_depth from a named earlier film.",
        means="+ = the component stands deeper. Below the detection limit in its note it is not told from "
        "none.",
        marks=(),
        source=PRACTICE,
    ),
)
