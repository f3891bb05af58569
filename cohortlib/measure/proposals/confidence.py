"""How far a proposal may be trusted: an order from 0 to 1, by what its fit rests on."""

from __future__ import annotations

import numpy as np

from cohortlib.measure.proposals.ball import Ball
from cohortlib.measure.proposals.drops import Drop
from cohortlib.measure.proposals.rim import Rim
from cohortlib.measure.proposals.rounds import Round
from cohortlib.measure.proposals.shaft import ShaftAxis
from cohortlib.measure.proposals.stem import StemAxis

#: A shaft leans to the midline downwards by about this much (common practice, no source).
_USUAL_LEAN_DEG = 5.0


def _graded(value: float, poor: float, good: float) -> float:
    """0.02 at what is poor, 1 at what is good, straight between; never 0, so that the order stays."""
    return float(np.clip((value - poor) / (good - poor), 0.02, 1.0))


def _joint(grades: dict[str, float]) -> tuple[float, str]:
    """The product of all grades, and in words what weighs most against the shape."""
    worst = min(grades, key=lambda name: grades[name])
    return float(np.prod(list(grades.values()))), worst if grades[worst] < 0.5 else ""


def head_confidence(ball: Ball, disc: Round, stem: StemAxis | None, aside_mm: float) -> tuple[float, str]:
    """Of the head's circle, `aside_mm` from the middle of the film."""
    wall = ball.dome.radius - ball.head.radius
    return _joint(
        {
            "no stem leaves the ball": 1.0 if stem is not None else 0.2,
            "it lies near the middle of the film": _graded(aside_mm, 25.0, 50.0),
            "no bright disc stands out": _graded(disc.share * disc.contrast, 0.08, 0.25),
            "little of the dome is seen": _graded(ball.dome_seen, 0.4, 0.8),
            "little of the head is seen": _graded(ball.head_seen, 0.05, 0.3),
            "another head would fit as well": _graded(1.0 - ball.distinct, 0.1, 0.6),
            "the head is not in the middle of the cup": _graded(
                -float(np.linalg.norm(ball.head.centre - ball.dome.centre)), -1.2, -0.3
            ),
            "the head's edge is not round": _graded(-ball.head.rms, -1.2, -0.4),
            "the head is hardly smaller than the cup": _graded(wall, 1.5, 2.5),
        }
    )


def rim_confidence(rim: Rim, ball: Ball, head: float) -> tuple[float, str]:
    """Of the rim's outline."""
    return _joint(
        {
            "the head is uncertain": max(0.02, head) ** 0.5,
            "another rim would fit as well": _graded(1.0 - rim.rivalry, 0.0, 0.15),
            "little of the rim is seen": _graded(min(rim.fit.rim_seen), 3.0, 10.0),
            "little of the dome is seen": _graded(rim.fit.dome_seen / ball.dome.radius, 1.0, 2.0),
            "the rim's width is uncertain": _graded(-float(np.sqrt(rim.fit.covariance[4, 4])), -2.5, -0.5),
            "the rim is seen as a line, its width is uncertain": _graded(rim.outline.semi_axes[1], -0.3, 1.0),
            "the rim's edges stray": _graded(-rim.fit.rms, -0.3, -0.12),
            "little of the outline lies on an edge": _graded(_on_edge(rim), 0.55, 0.8),
        }
    )


def _on_edge(rim: Rim) -> float:
    """The share of the outline's edges that it explains."""
    return rim.fit.explained / max(sum(rim.fit.rim_seen) + rim.fit.dome_seen, 1e-9)


def stem_confidence(stem: StemAxis, head: float) -> tuple[float, str]:
    """Of the stem's axis."""
    return _joint(
        {
            "the head is uncertain": max(0.02, head) ** 0.5,
            "the stem's edges stray": _graded(-stem.rms, -0.8, -0.3),
            "little of the stem is seen": _graded(stem.pairs, 8.0, 16.0),
            "the stem's edges are weak": _graded(stem.strength, 0.3, 1.2),
        }
    )


def shaft_confidence(shaft: ShaftAxis) -> tuple[float, str]:
    """Of the shaft's axis."""
    return _joint(
        {
            "another pair of edges would fit as well": _graded(1.0 - shaft.rival, -0.05, 0.1),
            "little of the shaft is seen": _graded(shaft.seen, 0.5, 0.95),
            "the shaft's edges stray": _graded(-shaft.rms, -0.3, -0.11),
            "the shaft's edges are not parallel": _graded(-shaft.parallel_deg, -9.0, -5.0),
            "the shaft leans unusually": _graded(-abs(shaft.lean_deg - _USUAL_LEAN_DEG), -10.0, -5.0),
        }
    )


def drop_confidence(drop: Drop) -> tuple[float, str]:
    """Of a teardrop."""
    return _joint(
        {
            "little of a teardrop is seen": _graded(drop.match, 0.2, 0.5),
            "another place looks as much like a teardrop": _graded(drop.lead, -0.03, 0.15),
            "the two do not stand level with the pelvis": _graded(-drop.off_level_mm, -4.0, -1.5),
            "the two sides of the pelvis do not match": 1.0 if drop.level else 0.25,
        }
    )
