"""What is seen of a zone as a row: state, width, extent, or in words why there is no value."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.measure.lucency.bins import Bins
from cohortlib.measure.lucency.zone import Seen

LUCENCY_COLUMNS = (
    "zone",
    "state",
    "width_mm",
    "sd",
    "extent_percent",
    "contrast",
    "clarity",
    "method",
    "n_profiles",
    "note",
)
#: A stretch counts as a line when it stands out by so many standard deviations. The clearest stretch of a
#: zone without a line does so in less than one of thirty zones (tests/simulations/lucency_over_noise.py).
LEAST_CLARITY = 5.5
#: So much clearer than `LEAST_CLARITY` a line is expected to be where nineteen in twenty are to be seen.
_POWER = 1.645
#: From this share of its zone a line is complete: its ends fade.
_COMPLETE_PERCENT = 90.0
#: What is narrower cannot be told from the metal's edge, what is of no clear width not from bone [mm].
_NARROWEST_MM, _MOST_SD_MM = 0.35, 0.5
_NOTHING = dict.fromkeys(("width_mm", "sd", "extent_percent", "contrast", "clarity"), np.nan)


def zone_row(name: str, bins: Bins, seen: Seen | None, least_contrast: float) -> dict[str, object]:
    """The row of one zone."""
    if seen is None:
        return not_assessable(name, bins.why)
    needed = (LEAST_CLARITY + _POWER) * seen.contrast_sd
    row = {**_NOTHING, "zone": name, "method": "", "n_profiles": len(bins.seen), "note": bins.why}
    if seen.clarity < LEAST_CLARITY:
        if needed > least_contrast:
            note = f"noise too high: a line is sure to be seen from a contrast of {needed:.2f} only"
            return not_assessable(name, "; ".join(filter(None, [note, bins.why])))
        return {**row, "state": "none", "extent_percent": 0.0, "clarity": seen.clarity}
    width, sd = seen.width.mm, seen.width.sd_mm
    if sd > _MOST_SD_MM or width < _NARROWEST_MM:
        note = f"something dark beside the metal, of no clear width: {width:.1f} mm, sd {sd:.1f} mm"
        return not_assessable(name, "; ".join(filter(None, [note, bins.why])))
    extent = 100.0 * (seen.last - seen.first) / len(bins.seen)
    return {
        **row,
        "state": "complete" if extent >= _COMPLETE_PERCENT else "incomplete",
        "width_mm": width,
        "sd": sd,
        "extent_percent": extent,
        "contrast": float(np.log1p(seen.width.amplitude)),
        "clarity": seen.clarity,
        "method": f"profiles across the interface, {seen.width.shape}",
    }


def not_assessable(name: str, note: str) -> dict[str, object]:
    """The row of a zone without a value, and why."""
    kept = {"zone": name, "state": "not assessable", "method": "", "n_profiles": 0, "note": note}
    return {**_NOTHING, **kept}


def lucency_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Rows as a table with the columns of `LUCENCY_COLUMNS`."""
    return pd.DataFrame(rows, columns=list(LUCENCY_COLUMNS))
