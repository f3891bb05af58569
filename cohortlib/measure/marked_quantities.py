"""What the marks of one hip allow: each quantity with the landmarks it takes and how it is worked out."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from cohortlib.measure import femur, leg
from cohortlib.measure.cup.centre import cup_centre

#: Argument that stands for the head's centre, or for its diameter, as fitted to the marks on its edge.
HEAD_CENTRE, HEAD_DIAMETER = "head_centre", "head_diameter"


class MarkedQuantity(NamedTuple):
    """One quantity: its name, how it is worked out, its arguments → landmarks, and how it was measured."""

    quantity: str
    number: Callable[..., float]
    takes: dict[str, str]
    method: str


def _horizontal(**places: object) -> float:
    return cup_centre(**places)[0]  # type: ignore[arg-type]


def _vertical(**places: object) -> float:
    return cup_centre(**places)[1]  # type: ignore[arg-type]


_LINE = {"teardrop": "teardrop", "teardrop_other": "teardrop_other"}
_HEAD = {"head_centre": HEAD_CENTRE}
_SHAFT = {"shaft_axis": "shaft_axis"}
_NECK = {"neck_edge": "neck_edge"}
_TO_LINE = "to the inter-teardrop line"
_TROCHANTER = {"greater_trochanter_tip": "greater_trochanter_tip"}

MARKED_QUANTITIES = (
    MarkedQuantity(
        "hip_centre_horizontal", _horizontal, {"centre": HEAD_CENTRE, **_LINE}, f"head; {_TO_LINE}"
    ),
    MarkedQuantity("hip_centre_vertical", _vertical, {"centre": HEAD_CENTRE, **_LINE}, f"head; {_TO_LINE}"),
    MarkedQuantity(
        "stem_shaft_angle",
        femur.stem_shaft_angle,
        {"stem_axis": "stem_axis", **_SHAFT},
        "stem axis and shaft axis as marked",
    ),
    MarkedQuantity(
        "neck_shaft_angle",
        femur.neck_shaft_angle,
        {**_HEAD, **_NECK, **_SHAFT},
        "head and middle of the neck; shaft axis as marked",
    ),
    MarkedQuantity(
        "femoral_offset",
        femur.femoral_offset,
        {**_HEAD, **_SHAFT},
        "head to shaft axis, as the film shows it",
    ),
    MarkedQuantity(
        "global_offset",
        femur.global_offset,
        {**_HEAD, **_SHAFT, **_LINE},
        f"femoral offset and head {_TO_LINE}, as the film shows them",
    ),
    MarkedQuantity("neck_width", femur.neck_width, _NECK, "edges as marked"),
    MarkedQuantity(
        "neck_head_ratio",
        femur.neck_head_ratio,
        {**_NECK, "head_diameter": HEAD_DIAMETER},
        "edges as marked over head",
    ),
    MarkedQuantity(
        "head_neck_ratio",
        femur.head_neck_ratio,
        {**_NECK, "head_diameter": HEAD_DIAMETER},
        "head over edges as marked",
    ),
    MarkedQuantity(
        "notching_depth",
        femur.notching_depth,
        {"notch_floor": "notch_floor", "notch_edge": "notch_edge"},
        "as marked",
    ),
    MarkedQuantity(
        "stem_depth",
        femur.stem_depth,
        {"reference": "stem_shoulder", **_TROCHANTER, "axis": "shaft_axis"},
        "shoulder below greater trochanter, along the shaft",
    ),
    MarkedQuantity(
        "peg_depth",
        femur.stem_depth,
        {"reference": "stem_tip", **_TROCHANTER, "axis": "stem_axis"},
        "tip below greater trochanter, along the peg",
    ),
    MarkedQuantity(
        "hip_length",
        leg.hip_length,
        {"lesser_trochanter": "lesser_trochanter", **_LINE},
        f"lesser trochanter {_TO_LINE}",
    ),
    MarkedQuantity(
        "leg_length_difference",
        leg.leg_length_difference,
        {
            "lesser_trochanter": "lesser_trochanter",
            "lesser_trochanter_other": "lesser_trochanter_other",
            **_LINE,
        },
        f"lesser trochanters {_TO_LINE}, this side less the other",
    ),
)
