"""What a film shows of the femur and its component: angles, offset, neck, how deep the stem stands."""

from cohortlib.measure.femur.angles import neck_shaft_angle, stem_shaft_angle
from cohortlib.measure.femur.depth import stem_depth
from cohortlib.measure.femur.neck import (
    head_neck_ratio,
    neck_head_ratio,
    neck_narrowing,
    neck_width,
    notching_depth,
)
from cohortlib.measure.femur.offset import femoral_offset, global_offset

__all__ = [
    "femoral_offset",
    "global_offset",
    "head_neck_ratio",
    "neck_head_ratio",
    "neck_narrowing",
    "neck_shaft_angle",
    "neck_width",
    "notching_depth",
    "stem_depth",
    "stem_shaft_angle",
]
