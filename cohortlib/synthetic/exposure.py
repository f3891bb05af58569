"""From the beam behind the patient to stored numbers: scatter, blur, quantum noise, logarithm."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from cohortlib.synthetic.recipe import FilmRecipe
from cohortlib.synthetic.streams import random_stream
from cohortlib.synthetic.xray import Grid, resampled

Image = NDArray[np.float32]

#: Scattered over primary radiation behind the anti-scatter grid, and the width of its spread at the
#: detector [mm] (common practice, no source).
SCATTER_TO_PRIMARY, SCATTER_MM = 0.45, 35.0
EQUALISATION_MM = 22.0
#: Beyond this part of the open beam a ray has hardly met the patient and hardly scatters.
_UNSCATTERED = 0.08
#: Stored range: so much below the middle of the film, and above its densest part, in log exposure.
_BELOW_MIDDLE, _ABOVE_DENSEST = 1.0, 0.08
#: Spacing of the pixels that the range is taken from [mm].
_RANGE_MM = 2.4
LARGEST = 4095


def exposed(primary: Image, recipe: FilmRecipe) -> Image:
    """What the detector receives, as part of the open beam, from the primary beam behind the patient."""
    signal = primary + _scatter(primary, recipe)
    if recipe.blur_mm:
        signal = ndimage.gaussian_filter(signal, recipe.blur_mm / recipe.spacing_mm, mode="nearest")
    if recipe.quanta:
        noise = random_stream(recipe.seed, "quanta").standard_normal(signal.shape, dtype=np.float32)
        quanta = np.float32(recipe.quanta * (recipe.spacing_mm / 0.3) ** 2)
        signal = np.maximum(signal + np.sqrt(signal / quanta) * noise, 1 / quanta)
    return signal


def stored_values(signal: Image, recipe: FilmRecipe) -> NDArray[np.uint16]:
    """Twelve-bit numbers, linear in the logarithm of the exposure between two ends set by the film.

    Notes
    -----
    The ends follow the film as an automatic range does, so that the whole scale is used. What lies
    outside is cut off: the open beam to black. With `equalisation` e, e times the picture's broad course
    (a blur of `EQUALISATION_MM`) is taken off first: bones stand out, no edge is sharpened, and none
    moves by more than 0.03 px.
    """
    grid = Grid(recipe.columns, recipe.rows, recipe.spacing_mm, recipe.source_to_detector_mm)
    density = -np.log(signal)
    low = np.median(resampled(density, grid, grid.coarser(_RANGE_MM))) - _BELOW_MIDDLE
    density = np.maximum(density, low)
    if recipe.equalisation:
        density -= np.float32(recipe.equalisation) * _broad(density, EQUALISATION_MM, grid)
    part = resampled(density, grid, grid.coarser(_RANGE_MM))
    if recipe.equalisation:
        low = np.percentile(part, 1)
    high = np.percentile(part, 99.9) + _ABOVE_DENSEST
    scaled = np.clip((density - low) * (LARGEST / (high - low)), 0, LARGEST)
    if recipe.contrast < 1:
        scaled = scaled * np.float32(recipe.contrast) + np.float32((1 - recipe.contrast) / 2 * LARGEST)
    stored = np.rint(scaled).astype(np.uint16)
    border = round(recipe.collimation_mm / recipe.spacing_mm)
    if border:
        open_field = stored[border:-border, border:-border].copy()
        stored[:] = 0
        stored[border:-border, border:-border] = open_field
    turned = (recipe.photometric == "MONOCHROME1") != recipe.inverted
    return LARGEST - stored if turned else stored


def _scatter(primary: Image, recipe: FilmRecipe) -> Image:
    grid = Grid(recipe.columns, recipe.rows, recipe.spacing_mm, recipe.source_to_detector_mm)
    return np.float32(SCATTER_TO_PRIMARY) * _broad(np.minimum(primary, _UNSCATTERED), SCATTER_MM, grid)


def _broad(image: Image, sigma_mm: float, grid: Grid) -> Image:
    """The image blurred so widely that a coarse grid is enough."""
    coarse = grid.coarser(4.8)
    small = resampled(image, grid, coarse)
    return resampled(
        ndimage.gaussian_filter(small, sigma_mm / coarse.spacing_mm, mode="nearest"), coarse, grid
    )
