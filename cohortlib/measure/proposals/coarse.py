"""A film at a coarse scale, white = dense whatever its header says: where a search by eye would begin."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter, zoom

from cohortlib.image import Radiograph

Array = NDArray[np.float64]
#: A coarse pixel [mm]: a femoral head still has a dozen across its radius.
COARSE_MM = 1.2
#: What the whole width of a film without a spacing is taken for [mm] (common practice, no source).
_USUAL_WIDTH_MM = 420.0


class CoarseFilm(NamedTuple):
    """A film made coarse.

    Attributes
    ----------
    grey : (rows, columns)
        White = dense, 0 at the black and 1 at the white of what a beam reached.
    mm_per_px
        (x, y) of one pixel of the film [mm]; of a film without spacing, a guess by its width.
    factor
        (x, y): pixels of the film per coarse pixel.
    scaled
        Whether the millimetres come from the file.
    spread
        From the film's own black to its white, in its grey values.
    """

    grey: NDArray[np.float32]
    mm_per_px: tuple[float, float]
    factor: Array
    scaled: bool
    spread: float

    def px(self, places: Array) -> Array:
        """Pixels of the film (n, 2) of coarse places (x, y)."""
        return (np.asarray(places, dtype=np.float64) + 0.5) * self.factor - 0.5


def working_spacing(radiograph: Radiograph) -> tuple[float, float]:
    """(x, y) of one pixel [mm], guessed by the film's width where the file does not say."""
    if radiograph.spacing_mm is None:
        guess = _USUAL_WIDTH_MM / radiograph.pixels.shape[1]
        return guess, guess
    return radiograph.spacing_mm[1], radiograph.spacing_mm[0]


def coarse_film(radiograph: Radiograph) -> CoarseFilm:
    """The film in pixels of about `COARSE_MM`, each the mean of those it covers."""
    mm_per_px = working_spacing(radiograph)
    pixels = radiograph.pixels
    size = [max(1, round(COARSE_MM / step)) for step in mm_per_px[::-1]]
    rows, columns = (length // step * step for length, step in zip(pixels.shape, size, strict=True))
    blocks = pixels[:rows, :columns].reshape(rows // size[0], size[0], columns // size[1], size[1])
    grey = blocks.mean(axis=(1, 3))
    # Black and white are those of what a beam reached: a border may lie far beyond either.
    lit = grey[exposed(grey, 0)]
    low, high = (float(value) for value in np.percentile(lit[:, exposed(lit, 1)], [0.5, 99.8]))
    spread = (high - low) or float(np.ptp(grey)) or 1.0
    grey = (grey - low) / spread
    factor = np.array([size[1], size[0]], dtype=np.float64)
    wanted = COARSE_MM / (np.array(mm_per_px) * factor)
    if np.abs(wanted - 1.0).max() > 0.02:
        shape = [round(length / step) for length, step in zip(grey.shape, wanted[::-1], strict=True)]
        ratio = [new / old for new, old in zip(shape, grey.shape, strict=True)]
        factor = factor / np.array(ratio[::-1])
        grey = zoom(grey, ratio, order=1, grid_mode=True, mode="nearest")
    grey = np.clip(grey, -0.2, 1.2).astype(np.float32)
    return CoarseFilm(grey, mm_per_px, factor, radiograph.spacing_mm is not None, spread)


def exposed(grey: NDArray[np.float32], axis: int) -> slice:
    """The rows (axis 0) or columns (1) of a film that a beam reached: elsewhere nothing varies."""
    low, high = np.quantile(grey, [0.1, 0.9], axis=1 - axis)
    varied = np.flatnonzero(high - low > 0.3 * float(np.median(high - low)))
    if len(varied) < 2:
        return slice(0, grey.shape[axis])
    return slice(int(varied[0]), int(varied[-1]) + 1)


def brighter_rim(grey: NDArray[np.float32]) -> float:
    """How much brighter the sides of the exposed film are than its middle; > 0 speaks for an inverted film.

    Beside a patient lies air, which is black; a film whose sides are whiter than the pelvis is inverted.
    """
    lit = grey[exposed(grey, 0)]
    smooth = uniform_filter(lit[:, exposed(lit, 1)], 5)
    rows = smooth[smooth.shape[0] // 3 :]
    edge = max(1, smooth.shape[1] // 25)
    sides = np.concatenate([rows[:, :edge].ravel(), rows[:, -edge:].ravel()])
    middle = rows[:, smooth.shape[1] // 4 : -max(1, smooth.shape[1] // 4)]
    return float(np.median(sides) - np.median(middle))
