"""The soft body around the bones: skin, fat, muscle, bladder, bowel; and texture.

Lengths are those of rays through soft tissue of the same attenuation [mm]. Places are given in the
plane of the hips, x to the patient's left and z to the head of the middle between the hips [mm].
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from cohortlib.synthetic.recipe import FilmRecipe
from cohortlib.synthetic.streams import random_stream
from cohortlib.synthetic.xray import Grid

Array = NDArray[np.floating]

#: Fat weakens the beam by this part of what soft tissue does.
_FAT = 0.845
_CROTCH_MM = -104.0


def body_path_mm(recipe: FilmRecipe, grid: Grid) -> Array:
    """Length of each ray in soft tissue (rows, columns) [mm], without bone."""
    scale = recipe.source_to_hips_mm / recipe.source_to_detector_mm
    x = (grid.u_mm * scale - recipe.offset_left_mm)[None, :]
    z = (grid.w_mm * scale - recipe.offset_proximal_mm)[:, None]
    skin = _trunk_and_thighs_mm(x, z, recipe, 0.0)
    muscle = _trunk_and_thighs_mm(x, z, recipe, 0.055 * recipe.width_mm)
    tissue = _FAT * skin + (1 - _FAT) * muscle
    bladder = _bump(x / 42, (z - 12) / 33) * 5.0
    psoas = sum(_bump((x - side * (40 + 0.38 * (110 - z))) / 26, (z - 70) / 120) for side in (-1, 1)) * 4.0
    tissue += np.where(skin > 60, bladder + psoas, 0.0)
    if recipe.texture:
        tissue += recipe.texture * _bowel_mm(recipe, grid, x, z) * (skin > 60)
    return tissue


def trabecular_texture(recipe: FilmRecipe, grid: Grid) -> Array:
    """Factor (rows, columns) on spongiosa: fine streaks along the usual lines of load."""
    noise = random_stream(recipe.patient_seed, "trabeculae").standard_normal((grid.rows, grid.columns))
    spectrum = fft.rfft2(noise)
    left = grid.u_mm > 0
    streaks = []
    for angle_deg in (62.0, 118.0):  # streaks lean to the middle: one filter for each half of the film
        streaks.append(_streaks(spectrum, grid, angle_deg))
    lean_left, lean_right = streaks
    main = np.where(left[None, :], lean_left, lean_right)
    cross = np.where(left[None, :], lean_right, lean_left)
    scale = recipe.source_to_hips_mm / recipe.source_to_detector_mm
    z = grid.w_mm[:, None] * scale - recipe.offset_proximal_mm
    marrow = 0.12 + 0.88 / (1 + np.exp(-(z + 82) / 9))  # little spongiosa in the shaft
    return marrow * (1 + recipe.texture * (0.085 * main + 0.06 * cross))


def _streaks(spectrum: NDArray[np.complex128], grid: Grid, angle_deg: float) -> Array:
    """Noise of unit SD, fine across and long along a direction (0 to the left, 90 to the head)."""
    down = fft.fftfreq(grid.rows, grid.spacing_mm)[:, None]
    across = fft.rfftfreq(grid.columns, grid.spacing_mm)[None, :]
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    along = across * cosine - down * sine
    aside = across * sine + down * cosine
    band = np.exp(-2 * np.pi**2 * ((along * 1.6) ** 2 + (aside * 0.40) ** 2))
    band -= np.exp(-2 * np.pi**2 * ((along * 3.5) ** 2 + (aside * 1.6) ** 2))
    noise = fft.irfft2(spectrum * band, (grid.rows, grid.columns))
    return noise / noise.std()


def _trunk_and_thighs_mm(x: Array, z: Array, recipe: FilmRecipe, inset_mm: float) -> Array:
    widest = max(recipe.width_mm / 2, 172 * recipe.size[0])  # skin lies outside the iliac crests
    half = widest * np.interp(z, [-200, -60, 20, 110, 180], [0.94, 1.0, 0.99, 0.965, 0.95])
    deep = recipe.thickness_mm * np.interp(z, [-200, -90, 0, 80, 180], [0.80, 0.92, 1.0, 1.0, 0.97])
    deep = deep - 2 * inset_mm
    trunk = deep * _oval(x / (half - inset_mm), 3.6)
    gap = 2.0 + inset_mm * 0.4 + 0.04 * np.maximum(_CROTCH_MM - z, 0)
    wide = (half - inset_mm - gap) / 2
    thigh = deep * 0.92 * _oval((np.abs(x) - gap - wide) / wide, 2.7)
    share = 1 / (1 + np.exp((z - _CROTCH_MM) / 10))
    return trunk * (1 - share) + thigh * share


def _oval(place: Array, power: float) -> Array:
    return np.maximum(1 - np.abs(place) ** power, 0) ** (1 / power)


def _bump(x: Array, z: Array) -> Array:
    return np.sqrt(np.maximum(1 - x**2 - z**2, 0))


def _bowel_mm(recipe: FilmRecipe, grid: Grid, x: Array, z: Array) -> Array:
    """Gas and its contents in the upper middle of the film, and faint unevenness everywhere."""
    stream = random_stream(recipe.seed, "bowel")
    spectrum = fft.rfft2(stream.standard_normal((grid.rows, grid.columns)))
    down = fft.fftfreq(grid.rows, grid.spacing_mm)[:, None]
    across = fft.rfftfreq(grid.columns, grid.spacing_mm)[None, :]
    square = 2 * np.pi**2 * (down**2 + across**2)

    def field(sigma_mm: float) -> Array:
        noise = fft.irfft2(spectrum * np.exp(-square * sigma_mm**2), (grid.rows, grid.columns))
        return noise / noise.std()

    where = np.exp(-((x / 75) ** 4) - ((z - 85) / 65) ** 4)
    gas = np.clip(field(10.0) - 0.6, 0, None) ** 0.6 * where
    return -24.0 * gas * (1 + 0.15 * field(2.5)) + 1.6 * field(14.0) + 0.8 * field(4.0)
