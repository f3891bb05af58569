"""Where to begin the search for a cup's rim."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from cohortlib.geometry.ellipse import near_distances
from cohortlib.measure.cup.fit import Scene, outline_edges
from cohortlib.measure.cup.model import CupModel

#: Openings that are tried as they are: anteversion [deg], setback as a share of the radius.
_BANDS_DEG = (range(2, 12, 3), range(14, 27, 3), range(29, 45, 3))
_SETBACK_SHARES = (0.0, 0.1, 0.2)
#: How far about a rim an edge is looked for, and how near it must be to lie on it.
_REACH_MM, _CLOSE_MM = 1.5, 0.5


def rim_starts(scene: Scene, begin: CupModel) -> list[CupModel]:
    """Of openings nearly edge-on, half open and wide open, each the one that lies on most edge as it is.

    A fit does not lead from one to the other: the corners of a rim that stand out beside the head may be
    followed by the ends of a line as well as by those of an ellipse, though less closely.
    """
    starts = []
    for band in _BANDS_DEG:
        models = [
            replace(begin, anteversion_deg=anteversion, setback=share * begin.radius)
            for anteversion in band
            for share in _SETBACK_SHARES
        ]
        starts.append(max(models, key=lambda model: _on_edge(scene, model)))
    return starts


def _on_edge(scene: Scene, model: CupModel) -> float:
    """How many edges near the rim lie on it as it is."""
    edges, on_rim = outline_edges(scene, model, _REACH_MM)
    if not on_rim.any():
        return 0.0
    off = near_distances(model.rim_shadow(), edges[on_rim])
    return float(np.exp(-((off / _CLOSE_MM) ** 2)).sum())
