"""An invented beginner, who stands in at the marking pad where nobody has read yet.

He is no reader of the demo study: none of its tables, nor its truth, knows him. His hand is less steady than
that of R1 to R3, he marks every edge too far out and every teardrop too far to the side, and thin lines
escape him. The numbers are inventions without a source.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from cohortlib.errors import study_error
from cohortlib.synthetic.gradings import COMPLETE_FROM, SHORT_IS_THIN_MM, STEEPNESS_PER_MM
from cohortlib.synthetic.readers import chosen_points

#: Spread of a click along each axis; how far out edges and rims are marked; how far to the side teardrops.
CLICK_SD_MM, OUTWARD_MM, TEARDROP_LATERAL_MM = 2.0, 0.5, 1.0
#: Width at which half of the lines of a whole zone are seen; error of a width, and of the part of the zone.
SEEN_FROM_MM, WIDTH_SD_MM, EXTENT_SD = 0.8, 0.4, 0.2
#: Share of zones without a line in which one is seen, and of all zones that are called not assessable.
FALSE_LINE, NOT_ASSESSABLE = 0.03, 0.02


def beginner_marks(points: pd.DataFrame, *, spacing_mm: float, stream: np.random.Generator) -> pd.DataFrame:
    """Where the beginner clicks on one film: habit and hand added to the truth, rounded to 0.1 px.

    Parameters
    ----------
    points
        Where everything truly is: landmark, side, x_px, y_px, visible, as in truth_landmarks.csv.
    spacing_mm
        Pixel spacing at the detector.
    stream
        Where chance comes from, such as `random_stream(seed, "beginner", image_id, "1")`.

    Returns
    -------
    DataFrame
        landmark, side, x_px, y_px: one teardrop, six head edges and six points of the rim a side, fewer
        where less can be seen.

    Raises
    ------
    StudyError
        If the spacing is no length.
    """
    if not (np.isfinite(spacing_mm) and spacing_mm > 0):
        raise study_error(
            column="spacing_mm",
            found=spacing_mm,
            expected="a length above 0 mm",
            remedy="Give the spacing of the film",
        )
    chosen = chosen_points(points, stream)
    teardrop = chosen["landmark"].eq("teardrop")
    # The patient's left is at the right of the film.
    lateral = chosen["side"].map({"left": 1.0, "right": -1.0}) * teardrop * TEARDROP_LATERAL_MM
    outward = ~teardrop * OUTWARD_MM
    hand_mm = stream.normal(0, CLICK_SD_MM, (len(chosen), 2))
    x_mm = lateral + outward * chosen["outward_x"] + hand_mm[:, 0]
    y_mm = outward * chosen["outward_y"] + hand_mm[:, 1]
    return chosen[["landmark", "side"]].assign(
        x_px=(chosen["x_px"] + x_mm / spacing_mm).round(1) + 0.0,
        y_px=(chosen["y_px"] + y_mm / spacing_mm).round(1) + 0.0,
    )


def beginner_grades(lines: pd.DataFrame, *, stream: np.random.Generator) -> pd.DataFrame:
    """What the beginner says of some zones.

    Parameters
    ----------
    lines
        What is truly there: side, zone_system, zone, width_mm (0 where there is no line), extent_percent.
    stream
        Where chance comes from.

    Returns
    -------
    DataFrame
        side, zone_system, zone, state, width_mm (empty where no line was seen); one row a row of `lines`.
    """
    count = len(lines)
    width, extent = lines["width_mm"].to_numpy(), lines["extent_percent"].to_numpy() / 100
    there = width > 0
    thin = SEEN_FROM_MM + SHORT_IS_THIN_MM * (1 - extent)
    seen = there & (stream.random(count) < expit(STEEPNESS_PER_MM * (width - thin)))
    false = ~there & (stream.random(count) < FALSE_LINE)
    read_mm = np.where(there, width, 0.8) + stream.normal(0, WIDTH_SD_MM, count)
    part = np.where(there, extent, 0.3) + stream.normal(0, EXTENT_SD, count)
    state = np.where(seen | false, np.where(part >= COMPLETE_FROM, "complete", "incomplete"), "none")
    state = np.where(stream.random(count) < NOT_ASSESSABLE, "not assessable", state)
    written = np.maximum(np.round(read_mm, 1), 0.1)
    return lines[["side", "zone_system", "zone"]].assign(
        state=state, width_mm=np.where(np.isin(state, ("complete", "incomplete")), written, np.nan)
    )
