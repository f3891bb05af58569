"""PUBLISHED_LIMITS: limits of film measurements that papers or common practice name, each with its source.

None is applied by itself. A study that means to use one copies its row into study.toml before the data are
read; no limit decides about one patient. A limit bears the name of what lies inside its bounds. A few are
of quantities that the catalogue does not have, and stand here to be compared with.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from cohortlib.errors import study_error


class PublishedLimit(NamedTuple):
    """One limit: what it is called, of what, from, to (NaN = open), unit, definition, whose."""

    threshold: str
    quantity: str
    lower: float
    upper: float
    unit: str
    definition: str
    source: str


_OPEN = float("nan")
_LEWINNEK = "Lewinnek GE et al., J Bone Joint Surg Am 1978;60:217-20"
_CALLANAN = "from memory: Callanan MC et al., 2011"
_GRAMMATOPOULOS = "from memory: Grammatopoulos G et al., 2010, of resurfacings"
_MCCOLLUM = "from memory: McCollum DE & Gray WJ, 1990"
_WEBER = "by Weber M et al., J Arthroplasty 2014;29:1661-5: 35 % beyond 5 mm against tomography"
_USUAL_LINE = "from memory: usual criteria of cementless components"
_PLAIN = "from memory: usual criteria on plain films"
_NECK = "Orthop Traumatol Surg Res 2011;97:229-40"
_MEMORY = "from memory"
_RADIOGRAPHIC = "radiographic"
_AND = "and progressive, or in all zones"


def _zone(
    name: str, inclination: tuple[float, float], anteversion: tuple[float, float], source: str
) -> list[PublishedLimit]:
    return [
        PublishedLimit(name, "inclination", *inclination, "deg", _RADIOGRAPHIC, source),
        PublishedLimit(name, "anteversion", *anteversion, "deg", _RADIOGRAPHIC, source),
    ]


PUBLISHED_LIMITS: tuple[PublishedLimit, ...] = (
    *_zone("cup zone of 1978", (30, 50), (5, 25), _LEWINNEK),
    *_zone("cup zone of 1990", (30, 50), (20, 40), f"{_MCCOLLUM}; whether radiographic is not known"),
    *_zone("cup zone of resurfacings of 2010", (35, 55), (10, 30), _GRAMMATOPOULOS),
    *_zone("cup zone of 2011", (30, 45), (5, 25), _CALLANAN),
    PublishedLimit(
        "steep cup under a small head", "inclination", 55, _OPEN, "deg", _RADIOGRAPHIC,
        "319 resurfacings: ions above 7 ug/L in 36 % of those with a head of 38 to 44 mm as well",
    ),
    PublishedLimit(
        "near to the rim", "contact_patch_to_rim_distance", _OPEN, 10, "mm", "centre of the patch",
        "from memory: Langton DJ et al., 2009 to 2011",
    ),
    PublishedLimit("usual", "hip_centre_horizontal", 30, 35, "mm", "", _MEMORY),
    PublishedLimit("usual", "hip_centre_vertical", 12, 18, "mm", "", _MEMORY),
    PublishedLimit("high hip centre", "hip_centre_vertical", 35, _OPEN, "mm", "", _MEMORY),
    PublishedLimit(
        "usual", "femoral_offset", 36, 50, "mm", "mean 43, SD 7", "from memory: Noble PC et al., 1988"
    ),
    PublishedLimit("not told from none", "femoral_offset_change", -10, 10, "mm", "", _WEBER),
    PublishedLimit("hardly perceived", "leg_length_difference", -5, 5, "mm", "", "review, authors not known"),
    PublishedLimit("usual clinical limit", "leg_length_difference", -10, 10, "mm", "", _MEMORY),
    PublishedLimit("usual", "neck_shaft_angle", 120, 135, "deg", "", _MEMORY),
    PublishedLimit("varus neck", "neck_shaft_angle", _OPEN, 120, "deg", "", _MEMORY),
    PublishedLimit("valgus neck", "neck_shaft_angle", 140, _OPEN, "deg", "", _MEMORY),
    PublishedLimit(
        "advised for a resurfacing", "stem_shaft_angle", 130, _OPEN, "deg", "",
        "from memory: Beaulé PE et al., J Bone Joint Surg Am 2004;86:2015-21",
    ),
    PublishedLimit("usual", "centre_edge_angle", 25, 39, "deg", "", _MEMORY),
    PublishedLimit("dysplasia", "centre_edge_angle", _OPEN, 20, "deg", "", _MEMORY),
    PublishedLimit("over-coverage", "centre_edge_angle", 40, _OPEN, "deg", "", _MEMORY),
    PublishedLimit("usual", "acetabular_index", 0, 10, "deg", "", _MEMORY),
    PublishedLimit("early impingement", "head_neck_ratio", _OPEN, 1.2, "1", "", _MEMORY),
    PublishedLimit("significant", "neck_narrowing_relative", 10, _OPEN, "%", "", _NECK),
    PublishedLimit("significant", "neck_narrowing_points", 10, _OPEN, "%", "", _NECK),
    PublishedLimit(
        "radiographic failure", "lucent_line_width", 0.3, 0.5, "mm", "a line all the way round, on one view",
        "Hultmark P et al., J Arthroplasty 2003;18(8)",
    ),
    PublishedLimit("line that counts", "lucent_line_width", 1, _OPEN, "mm", _AND, _USUAL_LINE),
    PublishedLimit("line that counts, stricter", "lucent_line_width", 2, _OPEN, "mm", _AND, _USUAL_LINE),
    PublishedLimit("not migrated, least named", "cup_migration_lateral", -3, 3, "mm", "", _PLAIN),
    PublishedLimit("not migrated, most named", "cup_migration_lateral", -5, 5, "mm", "", _PLAIN),
    PublishedLimit("not migrated, least named", "cup_migration_proximal", -3, 3, "mm", "", _PLAIN),
    PublishedLimit("not migrated, most named", "cup_migration_proximal", -5, 5, "mm", "", _PLAIN),
    PublishedLimit("not tilted", "cup_inclination_change", -5, 5, "deg", "", _PLAIN),
    PublishedLimit("subsided, least named", "subsidence", 3, _OPEN, "mm", "", _PLAIN),
    PublishedLimit("subsided, most named", "subsidence", 5, _OPEN, "mm", "", _PLAIN),
)  # fmt: skip


def published_limits(quantity: str | None = None) -> pd.DataFrame:
    """Published limits as rows of thresholds, of one quantity or all.

    Parameters
    ----------
    quantity
        As in `PUBLISHED_LIMITS`; None gives all.

    Returns
    -------
    DataFrame
        threshold, quantity, lower, upper, unit, definition, source: the columns that study.toml has under
        [[thresholds]]; an empty bound is open.

    Raises
    ------
    StudyError
        If there is no limit of the quantity.

    Example
    -------
    >>> published_limits("subsidence")[["threshold", "lower"]].to_numpy().tolist()
    [['subsided, least named', 3.0], ['subsided, most named', 5.0]]
    """
    table = pd.DataFrame(PUBLISHED_LIMITS).astype({"lower": np.float64, "upper": np.float64})
    if quantity is None:
        return table
    rows = table[table["quantity"] == quantity]
    if rows.empty:
        raise study_error(
            column="quantity",
            found=quantity,
            expected="one of " + ", ".join(sorted(set(table["quantity"]))),
            remedy="Name a limit of your own in study.toml, with its source",
        )
    return rows.reset_index(drop=True)
