"""One row a zone: the width and extent of the radiolucent line, or why there is no value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
from numpy.typing import ArrayLike

from cohortlib.geometry.polygon import Zone
from cohortlib.image import Radiograph
from cohortlib.measure.lucency.arguments import outline_and_zones
from cohortlib.measure.lucency.bins import usable, zone_bins
from cohortlib.measure.lucency.exposure import exposure, sharpened
from cohortlib.measure.lucency.interface import film_strip
from cohortlib.measure.lucency.rows import LEAST_CLARITY, lucency_table, not_assessable, zone_row
from cohortlib.measure.lucency.zone import lines_seen

_COARSEST_MM = 0.45
#: Noise of a pixel in bone over the step from bone to metal; beyond it exposure cannot be told from grey.
_MOST_NOISE = 0.15


def radiolucent_lines(
    radiograph: Radiograph,
    outline_mm: ArrayLike,
    zones: Sequence[Zone] | Mapping[str, ArrayLike],
    *,
    least_contrast: float = 0.2,
    reach_mm: float = 2.0,
) -> pd.DataFrame:
    """Radiolucent lines along an implant's edge, zone by zone.

    Parameters
    ----------
    radiograph
        A film with a spacing.
    outline_mm : (n, 2)
        Points in order along the metal's edge, in millimetres on the film (x to the right, y up).
    zones
        From `measure.zones`; or name → polygon (k, 2) in the same millimetres, or (n,) true for the outline's
        points in it.
    least_contrast
        A zone in which no line is seen has none only if one of 1 to 3 mm, over half of the zone and this much
        darker than bone (log exposure), would be seen in nineteen of twenty; else it is not assessable. A
        line is believed only where that holds for 1.25 times as much: more uneven bone has seams of its own.
        A line about a cup has usually 0.1 to 0.3, about a stem 0.05 to 0.2.
    reach_mm
        How far the metal's edge may lie from the outline.

    Returns
    -------
    DataFrame
        One row a zone: zone, state (of `tables.ZONE_STATES`; complete from 90 % of the zone), width_mm (over
        the line's length, on the film: not corrected for magnification), sd (of the width [mm]),
        extent_percent (of the zone's length that is seen), contrast (log exposure of the line over bone, at
        its darkest), clarity (how many standard deviations it stands out), method (with the shape of the
        line), n_profiles (mean profiles over 0.6 mm each), note (why a zone is not assessable; what of
        a zone is not seen). Without a line the extent is 0 and there is no width; what is not
        assessable has no value at all.

    Raises
    ------
    StudyError
        If the outline is no row of points, or a zone is neither a polygon nor a choice of points.

    Notes
    -----
    The film is laid straight along the metal's edge and averaged over short lengths. In exposure, where
    blur is linear, each mean profile is metal + bone + a dark layer, all blurred by what the metal's edge
    itself tells. The layer is a slit of even depth, or the shell about round metal whose depth falls like a
    root; a bright margin behind it is allowed for. The stretch of a zone that stands out most, over lengths,
    places, widths and shapes, is a line where its clarity is 6.5 or more, and none below 5.5; between them it
    is left open. Noise and trabecular texture are read off the bone further out and off the series of
    amplitudes itself. The width is the mean over the
    likelihood; its standard deviation holds what noise, texture, the edge and the shape leave open.

    The blurred edge of metal, a slope of bone, cortex behind a canal and broad equalisation are no lines.
    Where a filter sharpened the film, the rims beside metal cannot be told from lines: nothing is assessable.
    About thin round metal a weak filter is not noticed. Lines of less than 1 mm are often missed on films of
    0.3 mm pixels. The grade of a reader stands beside this number, never below it.

    References
    ----------
    Zones: DeLee JG & Charnley J, Clin Orthop Relat Res 1976;121:20-32; Gruen TA et al., Clin Orthop Relat Res
    1979;141:17-27. The measurement itself has no published source.

    Example
    -------
    >>> zones = acetabular_zones(centre_mm, radius_mm, opening_mm, side="left")  # doctest: +SKIP
    >>> radiolucent_lines(radiograph, outline_mm, zones)  # doctest: +SKIP
    """
    outline, members = outline_and_zones(outline_mm, zones)
    names = list(members)
    if radiograph.spacing_mm is None:
        return lucency_table([not_assessable(name, "no scale") for name in names])
    if max(radiograph.spacing_mm) > _COARSEST_MM:
        note = f"pixels too coarse: {max(radiograph.spacing_mm):.2f} mm"
        return lucency_table([not_assessable(name, note) for name in names])
    strip = film_strip(radiograph, outline, members, reach_mm)
    if strip.edge_found.mean() > 0.5 and sharpened(strip.grey, strip.x_mm):
        note = "edges sharpened: the dark rim of metal looks like a line"
        return lucency_table([not_assessable(name, note) for name in names])
    received, log_step, noise = exposure(strip.grey, strip.noise, strip.x_mm, strip.step_mm)
    if noise > _MOST_NOISE:
        note = f"noise too high: in a pixel {100 * noise:.0f} % of the step from bone to metal"
        return lucency_table([not_assessable(name, note) for name in names])
    bins, bin_mm = zone_bins(strip, received)
    seen = lines_seen(
        {name: bins[name].seen for name in names if usable(bins[name])},
        strip.x_mm,
        bin_mm=bin_mm,
        pixel_mm=strip.step_mm,
        log_step=log_step,
        clear=LEAST_CLARITY,
    )
    return lucency_table([zone_row(name, bins[name], seen.get(name), least_contrast) for name in names])
