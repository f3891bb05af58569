"""Two invented implants, made of solids; frame: the film frame of `xray` [mm]."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cohortlib.synthetic.recipe import ImplantRecipe
from cohortlib.synthetic.solids import Ball, Cone, HalfSpace, Solid

Array = NDArray[np.floating]

#: Clearance between head and cup of the resurfacing, and wall of its head at the dome [mm].
CLEARANCE_MM, CAP_WALL_MM = 0.1, 3.5
#: Open end of the capped head below its centre, and radius of its cavity there, over the head's radius.
CAP_DEPTH, CAP_CAVITY = 0.5, 0.8
#: Half of the arc of the resurfacing cup [deg]; its opening plane lies on the dome's side of the centre.
CUP_HALF_ARC_DEG = 82.0
SHELL_WALL_MM = 3.8
#: Front-to-back thickness of the short stem over its width.
STEM_FLATNESS = 0.75
#: Radius of the prosthetic neck at the head centre and at its base, and the distance of these [mm].
NECK_MM, NECK_LENGTH_MM = (5.6, 6.6), 30.0
USUAL_STEM_LENGTH_MM = {"resurfacing": 56.0, "short_stem": 95.0}
#: Radius of the peg at the head centre and at its tip.
PEG_MM = (4.2, 2.0)
#: Where the body of the short stem begins, along it from the head centre [mm].
SHOULDER_MM = NECK_LENGTH_MM + 7


@dataclass(frozen=True, eq=False)
class PlacedImplant:
    """Where an implant is, in the film frame [mm].

    Attributes
    ----------
    recipe
        What it is.
    cup_centre_mm
        Common centre of cup and head.
    cup_axis
        Unit vector out of the mouth of the cup.
    stem_axis
        Unit vector from the head down the peg or the prosthetic neck.
    stem_line_mm : (k, 3)
        Short stem: the centre line from the neck to the tip; empty for a resurfacing.
    """

    recipe: ImplantRecipe
    cup_centre_mm: Array
    cup_axis: Array
    stem_axis: Array
    stem_line_mm: Array

    @property
    def flatness(self) -> float:
        """Thickness of the stem front to back over its width."""
        return STEM_FLATNESS if self.recipe.design == "short_stem" else 1.0

    @property
    def rim_centre_mm(self) -> Array:
        """Centre of the outer rim circle."""
        return self.cup_centre_mm - self.cup_axis * self._opening_mm

    @property
    def rim_radius_mm(self) -> float:
        """Radius of the outer rim circle."""
        return float(np.sqrt((self.recipe.cup_diameter_mm / 2) ** 2 - self._opening_mm**2))

    @property
    def _opening_mm(self) -> float:
        if self.recipe.design == "short_stem":
            return 0.0
        return self.recipe.cup_diameter_mm / 2 * float(np.cos(np.radians(CUP_HALF_ARC_DEG)))


def implant_solids(placed: PlacedImplant) -> list[Solid]:
    """The solids of an implant; those of one material do not overlap where rays could tell."""
    return _resurfacing(placed) if placed.recipe.design == "resurfacing" else _short_stem(placed)


def _resurfacing(placed: PlacedImplant) -> list[Solid]:
    centre, recipe, metal = placed.cup_centre_mm, placed.recipe, "cobalt-chrome"
    head, cup = Ball(centre, recipe.head_diameter_mm / 2), Ball(centre, recipe.cup_diameter_mm / 2)
    hollow = Ball(centre, head.radius_mm + CLEARANCE_MM)
    dome = Ball(centre, head.radius_mm - CAP_WALL_MM)
    mouth = HalfSpace(placed.rim_centre_mm, placed.cup_axis)
    cap = HalfSpace(centre + CAP_DEPTH * head.radius_mm * placed.stem_axis, placed.stem_axis)
    across = _across(placed.stem_axis)
    cavity = Cone(centre, placed.stem_axis, CAP_CAVITY * head.radius_mm, 0.0, across)
    length_mm = recipe.stem_length_mm or USUAL_STEM_LENGTH_MM["resurfacing"]
    peg_mm, tip = PEG_MM[0], Ball(centre + length_mm * placed.stem_axis, PEG_MM[1])
    peg = Cone(centre, placed.stem_axis, peg_mm, (tip.radius_mm - peg_mm) / length_mm, across)
    peg_top = HalfSpace(centre - dome.radius_mm * placed.stem_axis, -placed.stem_axis)
    return [
        Solid(metal, (cup, mouth), (cup,)),
        Solid(metal, (hollow, mouth), (cup,), -1),
        Solid(metal, (head, cap), (head,)),
        Solid(metal, (dome, cavity, cap), (head,), -1),
        Solid(metal, (peg, peg_top, HalfSpace(tip.centre_mm, placed.stem_axis)), (head, tip)),
        Solid(metal, (tip, HalfSpace(tip.centre_mm, -placed.stem_axis)), (tip,)),
    ]


def _short_stem(placed: PlacedImplant) -> list[Solid]:
    centre, recipe = placed.cup_centre_mm, placed.recipe
    head, cup = Ball(centre, recipe.head_diameter_mm / 2), Ball(centre, recipe.cup_diameter_mm / 2)
    mouth = HalfSpace(placed.rim_centre_mm, placed.cup_axis)
    inside = Ball(centre, cup.radius_mm - SHELL_WALL_MM)
    hollow = Ball(centre, head.radius_mm + CLEARANCE_MM)
    line = placed.stem_line_mm
    flat = _flat(line)
    neck = Cone(centre, placed.stem_axis, NECK_MM[0], (NECK_MM[1] - NECK_MM[0]) / NECK_LENGTH_MM, flat)
    neck_top = HalfSpace(centre, -placed.stem_axis)
    neck_end = HalfSpace(line[0], placed.stem_axis)
    return [
        Solid("titanium", (cup, mouth), (cup,)),
        Solid("titanium", (inside, mouth), (cup,), -1),
        Solid("polyethylene", (inside, mouth), (cup,)),
        Solid("polyethylene", (hollow, mouth), (cup,), -1),
        Solid(recipe.head_material, (head,), (head,)),
        Solid(recipe.head_material, (head, neck, neck_top), (head,), -1),
        Solid("titanium", (neck, neck_top, neck_end), (Ball(centre, NECK_MM[1]), Ball(line[0], NECK_MM[1]))),
        *_stem(placed, flat),
    ]


def _stem(placed: PlacedImplant, flat: Array) -> list[Solid]:
    """The stem: tapered pieces between planes that halve the bends, and a round tip."""
    line = placed.stem_line_mm
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    along = NECK_LENGTH_MM + np.concatenate([[0.0], np.cumsum(steps)])
    radius = _stem_radius_mm(along, along[-1])
    tangent = np.gradient(line, axis=0)
    tangent[0] = placed.stem_axis
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    balls = [Ball(point, size + 1) for point, size in zip(line, radius, strict=True)]
    pieces = []
    for k, length in enumerate(steps):
        slope = (radius[k + 1] - radius[k]) / length
        side = Cone(line[k], (line[k + 1] - line[k]) / length, radius[k], slope, flat, STEM_FLATNESS)
        ends = HalfSpace(line[k], -tangent[k]), HalfSpace(line[k + 1], tangent[k + 1])
        pieces.append(Solid("titanium", (side, *ends), (balls[k], balls[k + 1])))
    tip = Ball(line[-1], radius[-1], flat, STEM_FLATNESS)
    return [*pieces, Solid("titanium", (tip, HalfSpace(line[-1], -tangent[-1])), (tip,))]


def _stem_radius_mm(along_mm: Array, tip_mm: float) -> Array:
    """Half the width of the short stem, at distances along it from the head centre [mm]."""
    places = [NECK_LENGTH_MM, SHOULDER_MM, 52, 0.65 * tip_mm, tip_mm - 8, tip_mm]
    return np.interp(along_mm, places, [NECK_MM[1], 8.4, 10.2, 7.8, 5.2, 4.2])


def _flat(line_mm: Array) -> Array:
    """Across the plane in which a short stem is bent."""
    flat = np.cross(line_mm[1] - line_mm[0], line_mm[-1] - line_mm[0])
    return flat / np.linalg.norm(flat)


def stem_outline(placed: PlacedImplant) -> tuple[Array, Array, Array]:
    """The part of a stem that lies in bone, without its round tip: what its shadow follows.

    Returns
    -------
    line_mm : (k, 3)
        Centre line from the shoulder (short stem) or the open end of the cap (resurfacing) to the middle
        of the ball of the tip, in the film frame [mm].
    radius_mm : (k,)
        Half the width in the plane of the stem [mm].
    half_mm : (k,)
        Half the width of the shadow on the film, over the magnification of the centre line [mm]: less where
        the flat stem is turned, more where the beam meets the film at a slant.
    """
    recipe = placed.recipe
    line: Array
    radius: Array
    if recipe.design == "resurfacing":
        length_mm = recipe.stem_length_mm or USUAL_STEM_LENGTH_MM["resurfacing"]
        along = np.linspace(CAP_DEPTH * recipe.head_diameter_mm / 2, length_mm, 5)
        line = placed.cup_centre_mm + along[:, None] * placed.stem_axis
        radius = PEG_MM[0] + (PEG_MM[1] - PEG_MM[0]) * along / length_mm
        return line, radius, radius * _slant(line, np.broadcast_to(placed.stem_axis, line.shape))[0]
    steps = np.linalg.norm(np.diff(placed.stem_line_mm, axis=0), axis=1)
    knots = NECK_LENGTH_MM + np.concatenate([[0.0], np.cumsum(steps)])
    along = np.concatenate([[SHOULDER_MM], knots[knots > SHOULDER_MM + 1]])
    line = np.stack([np.interp(along, knots, part) for part in placed.stem_line_mm.T], axis=1)
    radius = _stem_radius_mm(along, knots[-1])
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    slant, across = _slant(line, tangent)
    turned = across @ _flat(placed.stem_line_mm)
    return line, radius, radius * slant * np.sqrt(1 - (1 - STEM_FLATNESS**2) * turned**2)


def _slant(line_mm: Array, tangent: Array) -> tuple[Array, Array]:
    """How much longer a short way across beam and axis is on the film than magnified, and its direction."""
    across = np.cross(line_mm, tangent)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    place = line_mm[:, [0, 2]] / line_mm[:, [1]]
    return np.linalg.norm(across[:, [0, 2]] - place * across[:, [1]], axis=1), across


def _across(axis: Array) -> Array:
    other = np.cross(axis, [0.0, 1.0, 0.0])
    return other / np.linalg.norm(other)
