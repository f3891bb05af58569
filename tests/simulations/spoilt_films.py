"""Ways in which a film differs from the usual one: made otherwise by the generator, or spoilt afterwards."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter, zoom

from cohortlib.image import Radiograph
from cohortlib.synthetic.recipe import OTHER_SIDE, FilmRecipe, ImplantRecipe


def _resized(film: Radiograph, mm: float) -> Radiograph:
    factor = film.spacing_mm[0] / mm
    pixels = gaussian_filter(film.pixels, 0.4 / factor) if factor < 1 else film.pixels
    return replace(
        film, pixels=zoom(pixels, factor, order=1, grid_mode=True, mode="nearest"), spacing_mm=(mm, mm)
    )


def _low_contrast(film: Radiograph, rng: np.random.Generator) -> Radiograph:
    pixels = 1500.0 + 0.15 * film.pixels + rng.normal(0.0, 4.0, film.pixels.shape)
    return replace(film, pixels=pixels.astype(np.float32))


def _noisy(film: Radiograph, rng: np.random.Generator) -> Radiograph:
    pixels = film.pixels + rng.normal(0.0, 0.03 * np.ptp(film.pixels), film.pixels.shape)
    return replace(film, pixels=pixels.astype(np.float32))


def _collimated(film: Radiograph, rng: np.random.Generator) -> Radiograph:
    """A black border, of 10 to 35 mm on each side."""
    border = (rng.uniform(10.0, 35.0, 4) / film.spacing_mm[0]).astype(int)
    pixels = np.full_like(film.pixels, film.pixels.min())
    inner = np.s_[border[0] : -border[1], border[2] : -border[3]]
    pixels[inner] = film.pixels[inner]
    return replace(film, pixels=pixels)


def _unexposed(film: Radiograph, rng: np.random.Generator) -> Radiograph:
    """A white border, as a detector shows where no beam came."""
    border = (rng.uniform(10.0, 25.0, 4) / film.spacing_mm[0]).astype(int)
    pixels = np.full_like(film.pixels, film.pixels.max())
    inner = np.s_[border[0] : -border[1], border[2] : -border[3]]
    pixels[inner] = film.pixels[inner]
    return replace(film, pixels=pixels)


def _marked(film: Radiograph, rng: np.random.Generator) -> Radiograph:
    """A lead ball of 25 mm between the thighs and a bar of letters at a side, all white."""
    pixels = film.pixels.copy()
    rows, columns = np.ogrid[: pixels.shape[0], : pixels.shape[1]]
    x, y = 0.5 * pixels.shape[1] + rng.uniform(-30, 30), 0.85 * pixels.shape[0]
    pixels[np.hypot(columns - x, rows - y) < 14.0 / film.spacing_mm[0]] = pixels.max()
    pixels[60:110, 60:260:3] = pixels.max()
    return replace(film, pixels=pixels)


def _picture(film: Radiograph, rng: np.random.Generator) -> Radiograph:
    """Eight bits, no spacing, no beam."""
    low, high = np.percentile(film.pixels, [1.0, 99.5])
    pixels = np.round(255.0 * np.clip((film.pixels - low) / (high - low), 0.0, 1.0)).astype(np.float32)
    return replace(
        film,
        pixels=pixels,
        spacing_mm=None,
        spacing_source="none",
        source_to_detector_mm=None,
        beam_centre_px=None,
    )


def _neighboured(recipe: FilmRecipe) -> FilmRecipe:
    """An implant of the other design on the other side, where there is none."""
    if len(recipe.implants) != 1:
        return recipe
    own = recipe.implants[0]
    side = OTHER_SIDE[own.side]
    if own.design == "resurfacing":
        other = ImplantRecipe(side, "short_stem", 36.0, 54.0, 40.0, 18.0)
    else:
        other = ImplantRecipe(side, "resurfacing", 48.0, 54.0, 44.0, 14.0)
    return replace(recipe, implants=(own, other))


def _fine(recipe: FilmRecipe) -> FilmRecipe:
    factor = recipe.spacing_mm / 0.1
    return replace(
        recipe, spacing_mm=0.1, columns=round(recipe.columns * factor), rows=round(recipe.rows * factor)
    )


#: What is different before the film is made.
MADE: dict[str, Callable[[FilmRecipe], FilmRecipe]] = {
    "MONOCHROME1": lambda recipe: replace(recipe, photometric="MONOCHROME1"),
    "exchanged": lambda recipe: replace(recipe, inverted=True),
    "neighbour": _neighboured,
    "collimated": lambda recipe: replace(recipe, collimation_mm=25.0),
    "flat": lambda recipe: replace(recipe, contrast=0.2),
    "8-bit capture": lambda recipe: replace(recipe, secondary_capture=True),
    "0.1 mm": _fine,
}
#: What is done to the film as it was made.
SPOILT: dict[str, Callable[[Radiograph, np.random.Generator], Radiograph]] = {
    "inverted": lambda film, rng: replace(film, pixels=film.pixels.max() - film.pixels),
    "low contrast": _low_contrast,
    "noise": _noisy,
    "unsharp": lambda film, rng: replace(film, pixels=gaussian_filter(film.pixels, 0.8 / film.spacing_mm[0])),
    "0.15 mm": lambda film, rng: _resized(film, 0.15),
    "0.4 mm": lambda film, rng: _resized(film, 0.4),
    "black border": _collimated,
    "white border": _unexposed,
    "markers": _marked,
    "8-bit picture": _picture,
}
