"""The mean profiles across an interface of metal and bone, as `radiolucent_lines` looks at them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from cohortlib.errors import study_error
from cohortlib.geometry.polygon import Zone
from cohortlib.image import Radiograph
from cohortlib.measure.lucency.arguments import outline_and_zones
from cohortlib.measure.lucency.bins import zone_bins
from cohortlib.measure.lucency.exposure import exposure
from cohortlib.measure.lucency.interface import film_strip

PROFILE_COLUMNS = ("zone", "along_mm", "outside_mm", "exposure")


def interface_profiles(
    radiograph: Radiograph,
    outline_mm: ArrayLike,
    zones: Sequence[Zone] | Mapping[str, ArrayLike],
    *,
    reach_mm: float = 2.0,
) -> pd.DataFrame:
    """Exposure across the edge of the metal, one mean profile for each 0.6 mm of each zone: to look at.

    Parameters
    ----------
    radiograph, outline_mm, zones, reach_mm
        As for `radiolucent_lines`.

    Returns
    -------
    DataFrame
        One row a place: zone, along_mm (middle of the profile's length, from where the zone begins),
        outside_mm (distance outside the edge of the metal), exposure (over that of bone: 1 is bone, less is
        denser, more is a darker film). Profiles that are not seen are not there.

    Raises
    ------
    StudyError
        As `radiolucent_lines`; and if the film has no scale.
    """
    outline, members = outline_and_zones(outline_mm, zones)
    if radiograph.spacing_mm is None:
        raise study_error(
            file=radiograph.name,
            column="spacing_mm",
            found="no scale",
            expected="the size of a pixel",
            remedy="Profiles are laid in millimetres: give the film its spacing",
        )
    strip = film_strip(radiograph, outline, members, reach_mm)
    received = exposure(strip.grey, strip.noise, strip.x_mm, strip.step_mm).received
    bins, bin_mm = zone_bins(strip, received)
    parts = [
        pd.DataFrame(
            {
                "zone": name,
                "along_mm": np.repeat((np.flatnonzero(own.which) + 0.5) * bin_mm, len(strip.x_mm)),
                "outside_mm": np.tile(strip.x_mm, len(own.seen)),
                "exposure": own.seen.ravel(),
            },
            columns=list(PROFILE_COLUMNS),
        )
        for name, own in bins.items()
    ]
    return pd.concat(parts, ignore_index=True)
