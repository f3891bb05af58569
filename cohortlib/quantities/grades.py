"""What readers grade: ossification, lines about a cup, the fixation of a stem."""

from __future__ import annotations

from cohortlib.quantities.quantity import Quantity

_ENGH = "from memory: Engh CA et al., Clin Orthop Relat Res 1990;257:107-28"

GRADES = (
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
