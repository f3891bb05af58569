"""The pixels of a film that lie in each zone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from cohortlib.geometry.polygon import Zone, inside_polygon
from cohortlib.image import Radiograph


def zone_pixels(zones: Sequence[Zone], radiograph: Radiograph) -> dict[str, NDArray[np.bool_]]:
    """Zone → the film's pixels whose middle lies in it, True.

    Parameters
    ----------
    zones
        In millimetres of the film.
    radiograph
        With a spacing.

    Raises
    ------
    StudyError
        If the film has no spacing.
    """
    rows, columns = radiograph.pixels.shape
    masks = {}
    for zone in zones:
        corners = radiograph.px(zone.polygon_mm)
        low = np.clip(np.floor(corners.min(axis=0)), 0, [columns, rows]).astype(int)
        high = np.clip(np.ceil(corners.max(axis=0)) + 1, 0, [columns, rows]).astype(int)
        mask = np.zeros((rows, columns), dtype=bool)
        y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
        if x.size:
            places = np.column_stack([x.ravel(), y.ravel()])
            mask[low[1] : high[1], low[0] : high[0]] = inside_polygon(corners, places).reshape(x.shape)
        masks[zone.name] = mask
    return masks
