"""How metal, a lucent line, a sclerotic margin and bone look across an interface, blurred.

Everything is in exposure, where blur is linear, over distance outside the edge of the metal [mm].
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

#: A slit is a layer seen along its face; a shell is a layer about round metal: its depth along the beam is
#: greatest at the metal and falls like a root to nothing at the outer face.
SHAPES = ("slit", "shell")
_FACES_MM = np.arange(-6.0, 16.0 + 1e-9, 0.05)


class Lines(NamedTuple):
    """Templates of lines: width, shape (index of `SHAPES`), width of the sclerotic margin, and profiles.

    `line` and `margin` are (t, m): how far each template is there, 0 to 1. A template without a margin has a
    row of zeros.
    """

    width_mm: Array
    shape: NDArray[np.int64]
    margin_mm: Array
    line: Array
    margin: Array


def blur_matrix(x_mm: Array, sigma_mm: float) -> Array:
    """(m, cells): weights that turn means over fine cells into a profile blurred by a Gaussian."""
    return _blur(np.ascontiguousarray(x_mm, dtype=np.float64).tobytes(), float(sigma_mm))


@lru_cache(maxsize=128)  # a fit asks for the same few blurs hundreds of times
def _blur(places: bytes, sigma_mm: float) -> Array:
    x_mm = np.frombuffer(places)
    return np.diff(ndtr((_FACES_MM[None, :] - x_mm[:, None]) / sigma_mm), axis=1)


def metal(x_mm: Array, blur: Array, round_mm: float) -> Array:
    """How much of the metal's shadow is there, 0 to 1.

    Parameters
    ----------
    x_mm, blur
        Places, and their `blur_matrix`.
    round_mm
        0: the shadow ends in a step. Otherwise the metal is round and the shadow grows with depth d as
        ``1 − exp(−√(d / round_mm))``: the beam's path in it grows like the root of d.
    """
    depth = np.maximum(-(_FACES_MM[:-1] + _FACES_MM[1:]) / 2, 0.0)
    shadow = (depth > 0).astype(float) if round_mm == 0 else 1 - np.exp(-np.sqrt(depth / round_mm))
    return np.asarray(blur @ shadow)


def line_cells(width_mm: Array, margin_mm: Array) -> Lines:
    """Lines of every width in both shapes with every margin (0 = none), in the fine cells, without blur."""
    grid = np.meshgrid(width_mm, np.arange(len(SHAPES)), margin_mm, indexing="ij")
    width, shape, margin = (np.asarray(part, dtype=np.float64).ravel() for part in grid)
    line = _cells(width, shape, 0.0 * width)
    behind = np.where(margin[:, None] > 0, _cells(width + margin, shape, width), 0.0)
    return Lines(width, shape.astype(np.int64), margin, line, behind)


def blurred(lines: Lines, blur: Array) -> Lines:
    """Lines in the fine cells → profiles at the places of a `blur_matrix`."""
    return lines._replace(line=lines.line @ blur.T, margin=lines.margin @ blur.T)


def _cells(outer_mm: Array, shape: Array, inner_mm: Array) -> Array:
    """Means over the fine cells of a layer between two faces."""
    outer, inner = outer_mm[:, None], inner_mm[:, None]
    slit = np.clip(_FACES_MM, inner, np.maximum(outer, inner))
    thick = np.maximum(outer - inner, 1e-9)
    shell = (np.sqrt(outer) * _root(outer) - np.sqrt(inner) * _root(inner)) / np.sqrt(thick)
    faces = np.where(shape[:, None] == SHAPES.index("slit"), slit, shell)
    return np.diff(faces, axis=1) / np.diff(_FACES_MM)


def _root(width_mm: Array) -> Array:
    """Integral of √(1 − d / width) from the metal to each face of the fine cells."""
    safe = np.maximum(width_mm, 1e-9)
    part = np.clip(_FACES_MM / safe, 0.0, 1.0)
    return np.asarray(2 / 3 * safe * (1 - (1 - part) ** 1.5))
