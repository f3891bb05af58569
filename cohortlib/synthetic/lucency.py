"""What a radiolucent line does to the beam: a layer of fibrous tissue and a margin of dense bone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cohortlib.synthetic.attenuation import ENERGIES_KEV, MATERIALS
from cohortlib.synthetic.interface import Box, Interface, cup_interface, stem_interface
from cohortlib.synthetic.lucent_line import LucentLine
from cohortlib.synthetic.placement import Scene
from cohortlib.synthetic.xray import Grid

Array = NDArray[np.floating]

#: Mineral of a sclerotic margin, and of the bone that was pressed together about the implant and has given
#: way to the line, over that of cortex (by eye: the spongiosa of the mean bones has 0.32, too little for
#: lines as clear as on real films).
SCLEROSIS_SHARE, BED_SHARE = 0.9, 0.5
#: A line fades over this length about each of its ends [mm]; half-way it is where the end is.
FADE_MM = 1.0


def layer_mm(outside_mm: Array | float, radius_mm: Array | float, inner_mm: float, outer_mm: float) -> Array:
    """Length of a ray in a round layer about round metal [mm].

    Parameters
    ----------
    outside_mm
        How far outside the metal the ray passes; negative through it.
    radius_mm
        Of the metal.
    inner_mm, outer_mm
        From the metal to the two faces of the layer.

    Notes
    -----
    2 sqrt((R + outer)² - (R + d)²) less the same of the inner face: nothing beyond the outer face, so that
    the shadow of the layer is exactly `outer_mm` wide.
    """
    radius = np.asarray(radius_mm, dtype=float)
    ray = np.square(radius + np.asarray(outside_mm, dtype=float))

    def chord(face_mm: float) -> Array:
        return 2 * np.sqrt(np.maximum(np.square(radius + face_mm) - ray, 0))

    return chord(outer_mm) - chord(inner_mm)


def line_paths_mm(interface: Interface, line: LucentLine) -> tuple[Array, Array]:
    """Length of each ray of an interface in the fibrous layer and in the sclerotic margin [mm]."""
    first, last = interface.zone_edges_mm[line.zone - 1 : line.zone + 1]
    begin = first + line.start * (last - first)
    end = begin + line.extent * (last - first)
    along = interface.along_mm
    there = np.clip((along - begin) / FADE_MM + 0.5, 0, 1) * np.clip((end - along) / FADE_MM + 0.5, 0, 1)
    there = there * interface.deep
    outside, radius, width = interface.outside_mm, interface.radius_mm, line.width_mm
    fibrous = there * layer_mm(outside, radius, 0.0, width)
    return fibrous, there * layer_mm(outside, radius, width, width + line.sclerosis_mm)


def line_exponents(placed: Scene, grid: Grid, bone_mm: Array, share: Array) -> list[tuple[Box, Array]]:
    """What the lines of a scene add to the attenuation exponent.

    Parameters
    ----------
    placed, grid
        The scene, and the detector.
    bone_mm : (rows, columns)
        Length of each ray in bone: no line is seen where there is none.
    share : (rows, columns)
        Mineral of the bone about the implant over that of cortex.

    Returns
    -------
    list of (box, exponent)
        exponent : (energies, rows, columns of the box); negative where the film gets darker.
    """
    parts = []
    bone, soft = MATERIALS["cortical bone"], MATERIALS["soft tissue"]
    for implant in placed.implants:
        for name, of_implant in (("cup", cup_interface), ("stem", stem_interface)):
            lines = [line for line in implant.recipe.lines if line.interface == name]
            if not lines:
                continue
            interface = of_implant(implant, grid)
            paths = np.sum([line_paths_mm(interface, line) for line in lines], axis=0)
            paths *= np.minimum(1.0, bone_mm[interface.box] / np.maximum(paths.sum(axis=0), 1.0))
            around = np.maximum(share[interface.box], BED_SHARE)
            mineral_mm = (SCLEROSIS_SHARE - around) * paths[1] - around * paths[0]
            step = [bone.per_mm(energy) - soft.per_mm(energy) for energy in range(len(ENERGIES_KEV))]
            parts.append((interface.box, np.array(step)[:, None, None] * mineral_mm))
    return parts
