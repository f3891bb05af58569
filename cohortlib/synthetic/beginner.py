"""An invented beginner, who stands in at the marking pad where nobody has read yet.

He is no reader of the demo study: none of its tables, nor its truth, knows him. His hand is less steady than
that of R1 to R3, he marks every edge too far out and every teardrop too far to the side, and thin lines
escape him. The numbers are inventions without a source.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.synthetic.gradings import Eye, seen_by
from cohortlib.synthetic.readers import chosen_points, clicked

#: Spread of a click along each axis; how far out edges and rims are marked; how far to the side teardrops.
CLICK_SD_MM, OUTWARD_MM, TEARDROP_LATERAL_MM = 2.0, 0.5, 1.0
EYE = Eye(seen_from_mm=0.8, width_sd_mm=0.4, extent_sd=0.2, false_line=0.03, not_assessable=0.02)


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
    lateral_mm = chosen["side"].map({"left": 1.0, "right": -1.0}) * teardrop * TEARDROP_LATERAL_MM
    outward_mm = ~teardrop * OUTWARD_MM
    habit_mm = (lateral_mm + outward_mm * chosen["outward_x"], outward_mm * chosen["outward_y"])
    return clicked(chosen, habit_mm, click_sd_mm=CLICK_SD_MM, spacing_mm=spacing_mm, stream=stream)


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
    return seen_by(lines, EYE, stream, hidden=np.zeros(len(lines), dtype=bool))
