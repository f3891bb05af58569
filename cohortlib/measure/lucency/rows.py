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
#: Below this many standard deviations nothing is seen; from the second on it is a line; between them it is
#: left open. On whole films the bone has seams of its own (tests/simulations/lucency_on_films.py).
LEAST_CLARITY, _CLEAR = 5.5, 6.5
#: Where bone is so much more uneven than a zone without a line may be, its own seams pass for lines.
_LEEWAY = 1.25
#: So much clearer than `LEAST_CLARITY` a line is expected to be where nineteen in twenty are to be seen.
_POWER = 1.645
#: From this share of its zone a line is complete: its ends fade.
COMPLETE_PERCENT = 90.0
#: What is narrower cannot be told from the metal's edge, what is wider not from a canal of marrow, what is of
#: no clear width not from bone [mm]. A line of 3 mm is up to 3.5 mm wide on a film.
_NARROWEST_MM, _WIDEST_MM, _MOST_SD_MM = 0.35, 3.5, 0.5
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
    doubt = _doubt(seen, needed, least_contrast)
    if doubt:
        note = f"something dark beside the metal, {width:.1f} mm wide: {doubt}"
        return not_assessable(name, "; ".join(filter(None, [note, bins.why])))
    extent = 100.0 * (seen.last - seen.first) / len(bins.seen)
    return {
        **row,
        "state": "complete" if extent >= COMPLETE_PERCENT else "incomplete",
        "width_mm": width,
        "sd": sd,
        "extent_percent": extent,
        "contrast": float(np.log1p(seen.width.amplitude)),
        "clarity": seen.clarity,
        "method": f"profiles across the interface, {seen.width.shape}",
    }


def _doubt(seen: Seen, needed: float, least_contrast: float) -> str:
    """Why what is seen is not called a line; "" where it is."""
    width, sd = seen.width.mm, seen.width.sd_mm
    if sd > _MOST_SD_MM or width < _NARROWEST_MM:
        return f"of no clear width, sd {sd:.1f} mm"
    if width > _WIDEST_MM:
        return f"wider than a line, {_WIDEST_MM} mm at most; marrow, a cyst or a gap looks so too"
    if needed > _LEEWAY * least_contrast:
        return f"the bone is too uneven: a line is sure to be told from a contrast of {needed:.2f} only"
    if seen.clarity < _CLEAR:
        return f"it stands out by {seen.clarity:.1f} standard deviations, a line by {_CLEAR}"
    return ""


def not_assessable(name: str, note: str) -> dict[str, object]:
    """The row of a zone without a value, and why."""
    kept = {"zone": name, "state": "not assessable", "method": "", "n_profiles": 0, "note": note}
    return {**_NOTHING, **kept}


def lucency_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Rows as a table with the columns of `LUCENCY_COLUMNS`."""
    return pd.DataFrame(rows, columns=list(LUCENCY_COLUMNS))
