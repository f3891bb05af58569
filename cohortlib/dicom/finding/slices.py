"""Where the slices of a series lie: their distance, gaps, repeats, and whether they form a block."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

#: Two slices nearer than this are at the same place [mm].
_SAME_PLACE_MM = 0.01
_GAP, _UNEVEN, _SHEAR_MM = 1.5, 0.1, 0.5
_PLACE = ["left_mm", "posterior_mm", "superior_mm"]


def slice_facts(images: pd.DataFrame) -> pd.DataFrame:
    """Slice facts by series (index series_uid) of the series with one orientation and several slices.

    Returns
    -------
    DataFrame
        slice_spacing_mm, n_missing_slices, n_repeated_slices, note (parts that begin with "; ").
    """
    placed = images[(images["plane"] != "") & images[_PLACE].notna().all(axis="columns")]
    groups = placed.groupby("series_uid", sort=False)
    many = groups["path"].transform("size") > 1
    found: dict[str, dict[str, Any]] = {}
    for series_uid, rows in placed[many].groupby("series_uid", sort=False):
        if rows["cosines"].nunique() == 1:
            cosines = np.array([float(part) for part in rows["cosines"].iloc[0].split("\\")])
            found[str(series_uid)] = block_facts(rows[_PLACE].to_numpy(float), cosines)
    names = ["slice_spacing_mm", "n_missing_slices", "n_repeated_slices", "note"]
    table = pd.DataFrame.from_dict(found, orient="index", columns=names)
    return table.astype({"slice_spacing_mm": "float64", "note": "str"})


def block_facts(places_mm: NDArray[np.float64], cosines: NDArray[np.float64]) -> dict[str, Any]:
    """Distance, gaps and repeats of parallel slices, and notes on what is not regular.

    Parameters
    ----------
    places_mm : (n, 3)
        First pixels in patient coordinates.
    cosines : (6,)
        Directions of rows and columns.
    """
    normal = np.cross(cosines[:3], cosines[3:])
    order = np.argsort(places_mm @ normal, kind="stable")
    places_mm = places_mm[order]
    along_mm = places_mm @ normal
    distances = np.diff(along_mm)
    repeated = distances < _SAME_PLACE_MM
    distances = distances[~repeated]
    spacing_mm = float(np.median(distances)) if len(distances) > 1 else np.nan
    missing, notes = 0, ""
    if len(distances) > 1:
        steps = np.round(distances / spacing_mm)
        gaps = distances > _GAP * spacing_mm
        missing = int((steps[gaps] - 1).sum())
        if gaps.any():
            after_mm = along_mm[:-1][~repeated][gaps][0]
            notes += f"; slices are missing, first behind {after_mm:.1f} mm along their normal"
        if np.any(np.abs(distances - np.maximum(steps, 1) * spacing_mm) > _UNEVEN * spacing_mm):
            notes += "; uneven distances of the slices"
    if repeated.any():
        notes += "; several slices at the same place"
    sideways_mm = places_mm - np.outer(along_mm, normal)
    if np.linalg.norm(sideways_mm - sideways_mm[0], axis=1).max() > _SHEAR_MM:
        notes += "; sheared: the slices drift sideways (tilted gantry, or two series in one)"
    return {
        "slice_spacing_mm": spacing_mm,
        "n_missing_slices": missing,
        "n_repeated_slices": int(repeated.sum()),
        "note": notes,
    }
