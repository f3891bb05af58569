"""A small piece of film about one interface of metal and bone, made in a moment, with known truth.

For testing measurements of radiolucent lines by the hundred. One straight or round edge, one zone; no
anatomy is needed. Millimetres are those of the film: magnification is 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from cohortlib.synthetic.lucency import FADE_MM, layer_mm
from cohortlib.synthetic.recipe_limits import not_among, not_between, refuse
from cohortlib.synthetic.streams import random_stream

Array = NDArray[np.floating]

SHAPES = ("slit", "shell")
#: Levels a patch is stored in.
LARGEST = 4095
#: Rays along each side of a pixel.
_FINE = 3
#: Log exposure from bone to metal, and the range that is stored.
_METAL, _RANGE = 1.6, 3.2
#: Radius of the metal behind a straight edge: of a stem [mm].
_STRAIGHT_MM = 8.0


@dataclass(frozen=True, eq=False)
class InterfacePatch:
    """A patch and what is true of it.

    Attributes
    ----------
    pixels : (rows, columns)
        Stored values of twelve bits, large = dense (small = dense where it was asked for).
    spacing_mm
        Of the pixels.
    edge_px : (n, 2: x_px, y_px)
        The edge of the metal, every half millimetre, along the whole patch.
    outward : (n, 2: x, y)
        Unit vectors from the metal to the bone, in pixels.
    zone : (n,)
        Which points of the edge belong to the zone.
    width_mm : (n,)
        Width of the line there; 0 where there is none.
    extent_percent
        Part of the zone that has the line.
    """

    pixels: NDArray[np.uint16]
    spacing_mm: float
    edge_px: Array
    outward: Array
    zone: NDArray[np.bool_]
    width_mm: Array
    extent_percent: float


def make_interface_patch(
    *,
    seed: int,
    width_mm: float,
    extent: float = 1.0,
    start: float = 0.0,
    contrast: float = 0.2,
    noise_sd: float = 0.02,
    blur_mm: float = 0.2,
    sclerosis_mm: float = 0.0,
    texture: float = 0.02,
    gradient_per_mm: float = 0.0,
    metal_radius_mm: float | None = None,
    angle_deg: float = 0.0,
    offset_mm: float = 0.0,
    shape: str = "slit",
    zone_mm: float = 40.0,
    size_mm: float = 60.0,
    spacing_mm: float = 0.15,
    inverted: bool = False,
) -> InterfacePatch:
    """A patch with a line of one width along a part of a zone.

    Parameters
    ----------
    seed
        Of noise and texture; the same arguments give the same pixels.
    width_mm
        Of the line; 0 makes a patch without one.
    extent, start
        Part of the zone that has the line, and where it begins, as parts of the zone's length.
    contrast
        How much darker the line is than bone, in log exposure, at its darkest. About a cup a line of 1 mm
        has 0.1 to 0.3, about a stem 0.03 to 0.1.
    noise_sd
        Standard deviation of the log exposure in bone, in each pixel. Usual is 0.02 at 0.3 mm and 0.04 at
        0.15 mm, 0.1 is poor and 0.3 extreme.
    blur_mm
        Standard deviation of the blur.
    sclerosis_mm
        Width of a margin of dense bone behind the line, as much brighter as the line is darker.
    texture
        Standard deviation of the trabecular texture of bone, in log exposure.
    gradient_per_mm
        Slope of the bone's log exposure across the patch, to the right.
    metal_radius_mm
        Of a round edge (a cup: 24 to 30); None makes it straight.
    angle_deg
        Direction from metal to bone in the middle of the patch: 0 to the right, 90 upwards.
    offset_mm
        How far the edge lies from the middle of the patch, + towards the bone.
    shape
        "slit": a layer seen along its face, equally dark from edge to edge. "shell": a layer about round
        metal, darkest at the metal and fading to nothing at `width_mm`, as the generator's films have it.
    zone_mm
        Length of the zone, in the middle of the edge.
    size_mm, spacing_mm
        Side of the square patch, and of its pixels.
    inverted
        Whether small values are dense.

    Raises
    ------
    StudyError
        If the line cannot be.

    Notes
    -----
    The stored values are linear in log exposure. Noise is that of quanta: less by the square root of the
    exposure where more arrives, more behind the metal. The ends of the line fade over 1 mm about the true
    end.
    """
    longest = size_mm * 0.9 if metal_radius_mm is None else metal_radius_mm * np.radians(170)
    refuse(
        not_between("width_mm", width_mm, 0, 5),
        not_between("extent", extent, 0, 1),
        not_between("start and extent", start + extent, 0, 1 + 1e-9),
        not_between("start", start, 0, 1),
        not_between("contrast", contrast, 0, 1.2),
        not_between("noise_sd", noise_sd, 0, 2),
        not_between("blur_mm", blur_mm, 0, 2),
        not_between("sclerosis_mm", sclerosis_mm, 0, 3),
        not_between("texture", texture, 0, 0.5),
        not_between("gradient_per_mm", gradient_per_mm, -0.05, 0.05),
        not_between("metal_radius_mm", 20.0 if metal_radius_mm is None else metal_radius_mm, 2, 200),
        not_between("angle_deg", angle_deg, -360, 360),
        not_between("offset_mm", offset_mm, -size_mm / 3, size_mm / 3),
        not_among("shape", shape, SHAPES),
        not_between("size_mm", size_mm, 10, 120),
        not_between("spacing_mm", spacing_mm, 0.05, 0.5),
        not_between("zone_mm", zone_mm, 2, longest),
    )
    count = round(size_mm / spacing_mm)
    out, aside = _directions(angle_deg)
    step_mm = (np.arange(count) - (count - 1) / 2) * spacing_mm
    begin = (start - 0.5) * zone_mm
    end = begin + extent * zone_mm

    def received(x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """How far outside the metal rays pass, and what arrives of them, without texture."""
        outside, along, radius = _places(x_mm, y_mm, out, aside, offset_mm, metal_radius_mm)
        there = np.clip((along - begin) / FADE_MM + 0.5, 0, 1) * np.clip((end - along) / FADE_MM + 0.5, 0, 1)
        density = -contrast * there * _layer(outside, radius, 0.0, width_mm, shape)
        if sclerosis_mm:
            density += contrast * there * _layer(outside, radius, width_mm, width_mm + sclerosis_mm, shape)
        return outside, np.where(outside < 0, np.exp(-_METAL), np.exp(-density))

    outside, exposure = received(*np.broadcast_arrays(step_mm[None, :], -step_mm[:, None]))
    near = (outside > -spacing_mm) & (outside < width_mm + sclerosis_mm + spacing_mm)
    rows, columns = np.nonzero(near)
    fine = (np.arange(_FINE) - (_FINE - 1) / 2) * spacing_mm / _FINE
    x_fine, y_fine = np.meshgrid(fine, fine)
    _, parts = received(step_mm[columns, None] + x_fine.ravel(), -step_mm[rows, None] + y_fine.ravel())
    exposure[rows, columns] = parts.mean(axis=1)
    background = gradient_per_mm * step_mm[None, :]
    if texture:
        background = background + (outside >= 0) * texture * _texture(seed, count, spacing_mm)
    exposure = ndimage.gaussian_filter(exposure * np.exp(-background), blur_mm / spacing_mm, mode="nearest")
    if noise_sd:
        noise = random_stream(seed, "patch", "noise").standard_normal((count, count))
        exposure = np.maximum(exposure + noise_sd * np.sqrt(exposure) * noise, 1e-3)
    stored = np.clip((0.8 - np.log(exposure)) * (LARGEST / _RANGE), 0, LARGEST)
    pixels = np.rint(LARGEST - stored if inverted else stored).astype(np.uint16)
    place = np.arange(-size_mm, size_mm + 0.25, 0.5)
    edge_mm, outward = _edge(place, out, aside, offset_mm, metal_radius_mm)
    edge_px = (count - 1) / 2 + edge_mm * [1, -1] / spacing_mm
    inside = ((edge_px >= 0) & (edge_px <= count - 1)).all(axis=1)
    if metal_radius_mm is not None:
        inside &= np.abs(place) < np.pi * metal_radius_mm
    lined = (place >= begin) & (place <= end)
    return InterfacePatch(
        pixels=pixels,
        spacing_mm=spacing_mm,
        edge_px=edge_px[inside],
        outward=(outward * [1, -1])[inside],
        zone=(np.abs(place) <= zone_mm / 2)[inside],
        width_mm=np.where(lined, width_mm, 0.0)[inside],
        extent_percent=100 * extent if width_mm else 0.0,
    )


def _directions(angle_deg: float) -> tuple[Array, Array]:
    """Unit vectors (right, up) from metal to bone, and along the edge."""
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([cosine, sine]), np.array([-sine, cosine])


def _places(
    x_mm: Array, y_mm: Array, out: Array, aside: Array, offset_mm: float, radius_mm: float | None
) -> tuple[Array, Array, float]:
    """How far outside the metal and where along its edge rays pass, and the radius of the metal."""
    ahead = x_mm * out[0] + y_mm * out[1] - offset_mm
    sideways = x_mm * aside[0] + y_mm * aside[1]
    if radius_mm is None:
        return ahead, sideways, _STRAIGHT_MM
    angle = np.arctan2(sideways, ahead + radius_mm)
    return np.hypot(ahead + radius_mm, sideways) - radius_mm, angle * radius_mm, radius_mm


def _edge(
    place_mm: Array, out: Array, aside: Array, offset_mm: float, radius_mm: float | None
) -> tuple[Array, Array]:
    """Points (right, up) on the edge from the middle of the patch [mm], and their outward directions."""
    if radius_mm is None:
        return offset_mm * out + place_mm[:, None] * aside, np.broadcast_to(out, (len(place_mm), 2))
    angle = place_mm / radius_mm
    outward = np.cos(angle)[:, None] * out + np.sin(angle)[:, None] * aside
    return (offset_mm - radius_mm) * out + radius_mm * outward, outward


def _layer(outside_mm: Array, radius_mm: float, inner_mm: float, outer_mm: float, shape: str) -> Array:
    """Depth of a layer over its greatest outside the metal."""
    if shape == "slit":
        return ((outside_mm >= inner_mm) & (outside_mm < outer_mm)).astype(float)
    if outer_mm == inner_mm:
        return np.zeros_like(outside_mm)
    depth = layer_mm(outside_mm, radius_mm, inner_mm, outer_mm)
    return depth / layer_mm(inner_mm, radius_mm, inner_mm, outer_mm)


def _texture(seed: int, count: int, spacing_mm: float) -> Array:
    """Noise of unit SD with the grain of trabeculae."""
    noise = random_stream(seed, "patch", "texture").standard_normal((count, count), dtype=np.float32)
    grain = ndimage.gaussian_filter(noise, np.array([1.2, 0.4]) / spacing_mm, mode="wrap")
    return np.asarray(grain / grain.std(), dtype=float)
