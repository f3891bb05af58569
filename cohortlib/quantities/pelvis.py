"""What is measured of leg and pelvis: length, and how the pelvis lay."""

from __future__ import annotations

from cohortlib.quantities.quantity import PRACTICE, Quantity

_WEBER = "Weber M et al., J Arthroplasty 2014;29:1661-5"

PELVIS = (
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
        source=PRACTICE,
    ),
)
