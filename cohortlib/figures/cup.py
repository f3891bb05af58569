"""Cup orientation: inclination against anteversion, with each hip's measurement error."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import matplotlib as mpl
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MultipleLocator

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.figures.notes import TALLEST_MM, Entry, draw_words, make_panels
from cohortlib.figures.rows import check_rows, group_labels, patients_and_hips
from cohortlib.figures.style import MUTED, finish_figure, group_looks, look, make_figure
from cohortlib.figures.words import counted
from cohortlib.figures.zone import draw_zone

_ANGLES = ("inclination", "anteversion")
_MEASUREMENTS = "measurements"


def cup_points(measurements: pd.DataFrame, *, by: str) -> pd.DataFrame:
    """One row a hip: both angles and their sd [deg] side by side, as the figure draws them.

    Parameters
    ----------
    measurements
        Measurement rows with the column `by` joined to them; other quantities are left aside.
        One row a hip and angle: choose visit, reader and repeat before.
    by
        Grouping column, such as "arm".

    Returns
    -------
    DataFrame
        hip_id, patient_id, image_id, the group, inclination, inclination_sd, anteversion,
        anteversion_sd; a value that a film did not allow is missing.

    Raises
    ------
    StudyError
        If a column is missing, no row holds a cup angle, a unit is not degrees, or a hip has an
        angle more than once.
    """
    columns = ("hip_id", "patient_id", "image_id", "quantity", "value", "unit", "sd", by)
    check_rows(measurements, columns, name=_MEASUREMENTS, numbers=("value", "sd"))
    rows = measurements[measurements["quantity"].isin(_ANGLES)]
    problems = [
        problem(
            file=_MEASUREMENTS,
            column="quantity",
            found="no such row",
            expected=f"rows of {angle}",
            remedy="Measure the cup on the films first",
        )
        for angle in _ANGLES
        if not (rows["quantity"] == angle).any()
    ]
    units = rows.loc[rows["unit"] != "deg", "unit"]
    if len(units):
        problems.append(
            problem(
                file=_MEASUREMENTS,
                column="unit",
                found=str(units.iloc[0]),
                count=len(units),
                expected="'deg' for a cup angle",
                remedy="Give the angles in degrees",
            )
        )
    again = rows.duplicated(["hip_id", "quantity"], keep=False)
    if again.any():
        problems.append(
            problem(
                file=_MEASUREMENTS,
                column="hip_id",
                found=str(rows.loc[again, "hip_id"].iloc[0]),
                count=int(again.sum()),
                expected="one row a hip and angle",
                remedy="Choose one visit, reader and repeat before drawing",
            )
        )
    negative = rows["sd"] < 0
    if negative.any():
        problems.append(
            problem(
                file=_MEASUREMENTS,
                column="sd",
                found=float(rows.loc[negative, "sd"].iloc[0]),
                count=int(negative.sum()),
                expected="a standard deviation of at least 0",
                remedy="Correct the step that estimated it",
            )
        )
    if problems:
        raise StudyError(problems)
    sides = [
        rows.loc[rows["quantity"] == angle, ["hip_id", "patient_id", "image_id", by, "value", "sd"]].rename(
            columns={"value": angle, "sd": f"{angle}_sd"}
        )
        for angle in _ANGLES
    ]
    points = sides[0].merge(sides[1], on=["hip_id", "patient_id", "image_id", by], how="outer")
    return points.sort_values("hip_id", kind="stable").reset_index(drop=True)


def draw_cup_orientation(
    axes: Axes,
    points: pd.DataFrame,
    *,
    by: str,
    labels: Mapping[str, str] | None = None,
    definition: str = "radiographic",
) -> list[Entry]:
    """Draw each hip as a marker with ±1 sd bars of its measurement: anteversion across, inclination up.

    Parameters
    ----------
    axes
        Axes to draw on, inside a `look`.
    points
        Rows of `cup_points`.
    by, labels, definition
        As in `plot_cup_orientation`.

    Returns
    -------
    list of (artist, text)
        For a legend: one a group, with its numbers of patients and hips, and the bars.
    """
    names = group_labels(points, by, labels, name="points")
    looks = group_looks(names)
    drawn = points.dropna(subset=list(_ANGLES)).sort_values("hip_id", kind="stable")
    width = mpl.rcParams["lines.linewidth"]
    entries: list[Entry] = []
    for group, group_look in looks.items():
        rows = drawn[drawn[by].astype(str) == group]
        if rows.empty:
            continue
        axes.errorbar(
            rows["anteversion"],
            rows["inclination"],
            xerr=rows["anteversion_sd"].fillna(0.0),
            yerr=rows["inclination_sd"].fillna(0.0),
            fmt="none",
            ecolor=group_look.colour,
            elinewidth=0.6 * width,
            alpha=0.45,
            zorder=2,
        )
        (markers,) = axes.plot(
            rows["anteversion"],
            rows["inclination"],
            linestyle="none",
            marker=group_look.marker,
            color=group_look.colour,
            markeredgecolor="white",
            markeredgewidth=0.4 * width,
            zorder=3,
        )
        entries.append((markers, f"{names[group]}: {patients_and_hips(rows)}"))
    bar = Line2D([], [], color=MUTED, linewidth=0.6 * width)
    entries.append((bar, "bars: ±1 sd of one measurement"))
    axes.set_xlabel(f"{definition.capitalize()} anteversion (°)")
    axes.set_ylabel(f"{definition.capitalize()} inclination (°)")
    axes.xaxis.set_major_locator(MultipleLocator(10))
    axes.yaxis.set_major_locator(MultipleLocator(10))
    # A degree is as long across as up, so a bar's length means the same in both directions.
    axes.set_aspect("equal", adjustable="box", anchor="NW")
    return entries


def plot_cup_orientation(
    measurements: pd.DataFrame,
    *,
    zone: pd.DataFrame | None,
    by: str = "arm",
    labels: Mapping[str, str] | None = None,
    definition: str = "radiographic",
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "single column",
) -> Figure:
    """Inclination against anteversion of every hip, arm by arm, over a published zone.

    Parameters
    ----------
    measurements
        Measurement rows of both angles, one a hip and angle, with the column `by` joined to them.
    zone
        The two threshold rows of a published zone; None draws none.
    by
        Grouping column.
    labels
        Value of `by` to what is written, in the study's order; None writes the values, sorted.
    definition
        Of the angles in `measurements`, as the axes name it; what the catalogue measures is
        radiographic, another one has been converted before.
    title
        Heading; "" for none.
    notes
        Further lines below, such as that the data are invented.
    size
        One of `cohortlib.figures.style.SIZES`.

    Returns
    -------
    Figure
        One axes. Bars are ±1 sd of a single measurement, as the figure says. Hips without both
        angles are not drawn but counted below.

    Raises
    ------
    StudyError
        As `cup_points` and `draw_zone`; also if no hip has both angles.
    """
    points = cup_points(measurements, by=by)
    known = points[list(_ANGLES)].notna().all(axis=1)
    if not known.any():
        raise study_error(
            file=_MEASUREMENTS,
            column="value",
            found="no hip with both angles",
            count=len(points),
            expected="at least one",
            remedy="Look at the notes of the measurement rows: why did the films allow no value?",
        )
    drawn = points[known]
    no_error = int(drawn[["inclination_sd", "anteversion_sd"]].isna().any(axis=1).sum())
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        (axes,) = make_panels(figure, size)
        entries = draw_cup_orientation(axes, points, by=by, labels=labels, definition=definition)
        if zone is not None:
            entries += draw_zone(axes, zone, definition=definition)
        draw_words(
            figure,
            size,
            [axes],
            title=title,
            panel_mm=None,
            entries=entries,
            notes=[
                f"n = {patients_and_hips(drawn)}.",
                _missing_note(points[~known]),
                f"No error stated for {counted(no_error, 'hip')}: no bar." if no_error else "",
                "" if zone is None else f"Zone: {zone['source'].iloc[0]}.",
                *notes,
            ],
        )
        return finish_figure(figure)


def _missing_note(rows: pd.DataFrame) -> str:
    if rows.empty:
        return ""
    films = counted(int(rows["image_id"].nunique()), "film")
    return f"Not drawn: {counted(len(rows), 'hip')} ({films} allowed no value of one angle or both)."
