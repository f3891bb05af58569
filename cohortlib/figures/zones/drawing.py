"""The project's own drawing of a right hip from the front, with either implant; millimetres about the head.

x to the medial side, y up; a left hip is its mirror image. Proportions are those of an ordinary adult hip
(drawn by hand, no source); nothing is measured in it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import splev, splprep

Array = NDArray[np.float64]

#: Radius of the head and of the cup's outside [mm].
HEAD, CUP = 23.0, 28.0
#: Inclination of the cup [°]: its opening looks down and to the side.
INCLINATION_DEG = 42.0
#: Axis of the shaft, its half width outside, and where the drawing ends below.
SHAFT_X, SHAFT_HALF, BOTTOM = -42.0, 15.5, -138.0
#: The short stem: its half width at shoulder and tip, and their heights.
SHOULDER_Y, TIP_Y, SHOULDER_HALF, TIP_HALF = -18.0, -104.0, 9.5, 4.0

_PELVIS = (
    (-30, 62), (-37, 47), (-39, 33), (-36, 24), (-33.5, 14), (-30, 8),
)  # fmt: skip
_INNER = ((14, -30), (22, -36), (33, -31), (40, -20), (44, -2), (42, 20), (40, 42), (44, 62))
_TROCHANTER = ((-38, -4), (-45, 5), (-52, 8), (-60, 3), (-67, -9), (-68.5, -22), (-65, -38), (-59.5, -56))
_CALCAR = ((-17, -37), (-19, -46), (-19.5, -54), (-22, -63), (-25.5, -74), (-26.5, -90))
_SUPERIOR_NECK = ((-20, 10), (-27, 2), (-33, -2), (-38, -4))
_INFERIOR_NECK = ((4, -22.6), (-3, -27), (-10, -31), (-17, -37))


class Outline(NamedTuple):
    """A closed outline, shape (n, 2), and what it is: "bone", "metal" or "liner"."""

    kind: str
    points: Array


def outlines(design: str) -> list[Outline]:
    """What is drawn of a hip with one of the designs, from behind to the front.

    Parameters
    ----------
    design
        "stem" or "resurfacing".
    """
    shaft = [(SHAFT_X + SHAFT_HALF, BOTTOM), (SHAFT_X - SHAFT_HALF, BOTTOM), (SHAFT_X - SHAFT_HALF, -72)]
    pelvis = np.vstack([smooth(_PELVIS), _arc(CUP, 180 + INCLINATION_DEG - 90, INCLINATION_DEG - 90)])
    pelvis = np.vstack([pelvis, smooth(_INNER)])
    cup = np.vstack([_arc(CUP, *_opening()), _arc(HEAD + 1.5, *_opening()[::-1])])
    parts = [Outline("bone", pelvis)]
    if design == "stem":
        cut = [(-17, -37), (-38, -4)]
        femur = np.vstack([smooth(_CALCAR), shaft, smooth(_TROCHANTER[::-1]), cut[::-1]])
        parts += [Outline("bone", femur), Outline("metal", stem())]
    else:
        femur = np.vstack(
            [
                smooth(_INFERIOR_NECK),
                smooth(_CALCAR),
                shaft,
                smooth(_TROCHANTER[::-1]),
                smooth(_SUPERIOR_NECK[::-1]),
            ]
        )
        parts += [Outline("bone", femur), Outline("metal", peg())]
    return [*parts, Outline("metal", cup), Outline("metal", _arc(HEAD, 0, 360))]


def stem() -> Array:
    """The short stem with its neck."""
    body = [
        (SHAFT_X - TIP_HALF, TIP_Y + 5),
        (SHAFT_X - SHOULDER_HALF, SHOULDER_Y - 12),
        (SHAFT_X - SHOULDER_HALF + 1, SHOULDER_Y),
        (SHAFT_X + 3, SHOULDER_Y + 7),
    ]
    neck = [(-14.0, -2.0), (-6.0, -13.0), (-22.0, -27.0)]
    medial = [
        (SHAFT_X + SHOULDER_HALF + 3, -44),
        (SHAFT_X + TIP_HALF + 1.5, -76),
        (SHAFT_X + TIP_HALF, TIP_Y + 5),
    ]
    tip = np.array([SHAFT_X, TIP_Y + 5]) + TIP_HALF * _unit(np.linspace(0, -180, 15)) * (1, 1.25)
    return np.vstack([body, neck, medial, tip])


def peg() -> Array:
    """The short stem of the resurfacing component, in the axis of the neck."""
    along = np.array([-np.sin(np.radians(50)), -np.cos(np.radians(50))])
    across = np.array([along[1], -along[0]])
    corners = [(0, 3.2), (34, 2.0), (36, 0), (34, -2.0), (0, -3.2)]
    return np.array([length * along + half * across for length, half in corners])


def smooth(points: tuple[tuple[float, float], ...]) -> Array:
    """A smooth curve through points, shape (n, 2)."""
    x, y = np.array(points, dtype=float).T
    spline, _ = splprep([x, y], s=0, k=min(3, len(points) - 1))
    return np.column_stack(splev(np.linspace(0, 1, 12 * len(points)), spline))


def _opening() -> tuple[float, float]:
    """Angles of the rim: first at the side, then below, over the dome [°]."""
    return 180 - INCLINATION_DEG + 0.0, -INCLINATION_DEG


def _arc(radius: float, start_deg: float, end_deg: float) -> Array:
    return radius * _unit(np.linspace(start_deg, end_deg, 90))


def _unit(angles_deg: Array) -> Array:
    angles = np.radians(angles_deg)
    return np.column_stack([np.cos(angles), np.sin(angles)])
