"""Fine detail of a part of a film, on a grid that may be turned."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

Array = NDArray[np.float64]
#: Detail is what is left of this much blur [mm].
COARSE_DETAIL_MM = 4.0
#: Its steps where a whole pelvis is searched, and about one place [mm].
COARSE_STEP_MM, FINE_STEP_MM = 0.6, 0.3
#: Detail beyond this many times its median is cut off, so that a sharp edge does not drown all else.
_MOST_DETAIL = 3.0


class Relief(NamedTuple):
    """Fine detail on a grid: rows down, columns to the right.

    `corner` is the first place [mm], `turn` the unit vectors to the right and down, `step_mm` their length.
    """

    detail: Array
    corner: Array
    turn: Array
    step_mm: float

    def places(self, columns_rows: Array) -> Array:
        """Millimetres of places (n, 2) of the grid."""
        return np.asarray(self.corner + columns_rows * self.step_mm @ self.turn, dtype=np.float64)


def relief(
    pixels: NDArray[np.float32],
    mm_per_px: tuple[float, float],
    middle: Array,
    half_mm: Array,
    *,
    angle_deg: float,
    metal: float = float("inf"),
    fine: bool = False,
) -> Relief:
    """Detail about a middle [mm], on a grid turned anticlockwise.

    What is brighter than `metal` counts as just so bright: else its edge would darken all bone beside it.
    """
    step = FINE_STEP_MM if fine else COARSE_STEP_MM
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    turn = np.array([[cosine, sine], [sine, -cosine]])
    count = np.ceil(2.0 * half_mm / step).astype(int)
    corner = middle - half_mm @ turn
    columns, rows = np.meshgrid(np.arange(count[0]), np.arange(count[1]))
    places = corner + step * (columns[..., None] * turn[0] + rows[..., None] * turn[1])
    at = np.stack([-places[..., 1] / mm_per_px[1], places[..., 0] / mm_per_px[0]])
    reach = np.array([[part.min(), part.max()] for part in at])
    low = np.clip(np.floor(reach[:, 0]) - 8, 0, np.array(pixels.shape) - 1).astype(int)
    high = np.clip(np.ceil(reach[:, 1]) + 9, low + 1, pixels.shape).astype(int)
    part = pixels[low[0] : high[0], low[1] : high[1]]
    smooth = gaussian_filter(part, 0.3 * step / mm_per_px[0], truncate=2.0)
    grey = map_coordinates(smooth, at - low[:, None, None], order=1, mode="nearest", output=np.float64)
    grey = np.minimum(grey, metal)
    detail = grey - gaussian_filter(grey, COARSE_DETAIL_MM / step)
    most = _MOST_DETAIL * float(np.median(np.abs(detail)))
    return Relief(np.clip(detail, -most, most), corner, turn, step)
