"""How a zone is filled: white for no change, darker for more; gains are hatched."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.colors import LinearSegmentedColormap, to_hex

from cohortlib.errors import study_error

#: From white to dark, of equal lightness at equal change: in grey print only the hatching tells them apart.
_LOSS = LinearSegmentedColormap.from_list("loss", ["#ffffff", "#e9a15b", "#b3541e", "#6e2b0a"])
_GAIN = LinearSegmentedColormap.from_list("gain", ["#ffffff", "#86b9cf", "#3c7ea0", "#154861"])
_STEPS = (1, 2, 2.5, 4, 5, 10)


class ZoneFill(NamedTuple):
    """Fill of a value, the darkest at `limit`."""

    limit: float

    def look(self, value: float) -> dict[str, Any]:
        """Arguments of a patch: facecolor, hatch, hatch colour; a value that is missing is left grey."""
        if not np.isfinite(value):
            return {"facecolor": "#dcdcdc", "hatch": None}
        share = float(np.clip(abs(value) / self.limit, 0, 1))
        if value < 0:
            return {"facecolor": to_hex(_LOSS(share)), "hatch": None}
        return {"facecolor": to_hex(_GAIN(share)), "hatch": "////" if share > 0.02 else None}


def zone_fill(values: pd.Series, *, limit: float | None) -> ZoneFill:
    """The fill of all values of a figure.

    Parameters
    ----------
    values
        What is to be drawn; missing ones do not count.
    limit
        Value of the darkest fill; None takes a round number that no value exceeds.

    Raises
    ------
    StudyError
        If the limit is not above zero.
    """
    if limit is None:
        largest = float(values.abs().max()) or 1.0
        power = 10.0 ** np.floor(np.log10(largest))
        limit = next(step * power for step in _STEPS if step * power >= largest * (1 - 1e-9))
    if not limit > 0:
        raise study_error(
            column="limit", found=limit, expected="a value above zero", remedy="Name the largest change"
        )
    return ZoneFill(float(limit))
