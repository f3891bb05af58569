"""Mean exposure along short lengths of each zone, and why a zone cannot be looked at."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.measure.lucency.interface import Strip

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Profiles are averaged over this length of the interface [mm].
_BIN_MM = 0.6
#: Another implant lies where so much [mm] of what is this far outside the metal [mm] is nearly as dense as
#: the metal itself: this part of the step from it to bone.
_BESIDE_MM, _DENSE_MM, _NEARLY = (0.8, 6.0), 0.8, 0.25
#: Least share of a zone, and least number of bins, that a value is given for.
_LEAST_SEEN, _LEAST_BINS = 0.7, 8


class Bins(NamedTuple):
    """Bins of one zone: mean exposure (n, m) of the seen ones, which of all they are, why not others."""

    seen: Array
    which: Mask
    why: str

    @property
    def share(self) -> float:
        """Part of the zone that is seen."""
        return float(self.which.mean()) if self.which.size else 0.0


def zone_bins(strip: Strip, received: Array) -> tuple[dict[str, Bins], float]:
    """The bins of every zone, and their length [mm].

    Parameters
    ----------
    strip, received
        The film along the outline, and its `exposure`.
    """
    each = max(1, round(_BIN_MM / strip.step_mm))
    off: Mask = np.asarray(~np.isfinite(strip.grey).all(axis=1))
    hidden = _hidden(received, strip.x_mm)
    bins = {}
    for name, member in strip.zones.items():
        inside = np.flatnonzero(member)
        rows = inside[: len(inside) // each * each].reshape(-1, each)
        reasons = {
            "off the film": off[rows].any(axis=1),
            "hidden by another implant": hidden[rows].mean(axis=1) > 0.5,
            "metal edge not found": strip.edge_found[rows].mean(axis=1) < 0.5,
        }
        lost: Mask = np.zeros(len(rows), dtype=bool)
        parts = []
        for reason, mask in reasons.items():
            more = mask & ~lost
            if more.any():
                parts.append(f"{reason} over {100 * more.mean():.0f} % of the zone")
            lost = lost | mask
        if not len(rows):
            parts = ["the zone holds no part of the outline"]
        elif len(rows) < _LEAST_BINS:
            parts = [f"the zone is shorter than {_LEAST_BINS * each * strip.step_mm:.0f} mm"]
        bins[name] = Bins(received[rows[~lost]].mean(axis=1), ~lost, "; ".join(parts))
    return bins, each * strip.step_mm


def _hidden(received: Array, x_mm: Array) -> Mask:
    """Rows (n,) beside whose metal there is more metal, of another implant."""
    inner, outer = (x_mm > -1.6) & (x_mm < -0.4), (x_mm > _BESIDE_MM[0]) & (x_mm < _BESIDE_MM[1])
    filled = np.where(np.isfinite(received), received, 1.0)
    level = np.median(filled[:, inner], axis=1)
    dense = filled[:, outer] < (level + _NEARLY * np.maximum(1.0 - level, 0.0))[:, None]
    return np.asarray(dense.sum(axis=1) * (x_mm[1] - x_mm[0]) > _DENSE_MM)


def usable(bins: Bins) -> bool:
    """Whether enough of a zone is seen."""
    return len(bins.seen) >= _LEAST_BINS and bins.share >= _LEAST_SEEN
