"""Zones of a hip filled by an estimate, with its interval and numbers written beside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import matplotlib as mpl
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, PathPatch, Polygon
from matplotlib.path import Path

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.figures.notes import TALLEST_MM, Entry, draw_words, make_panels
from cohortlib.figures.rows import check_rows
from cohortlib.figures.style import FAINT, INK, MUTED, finish_figure, look, make_figure
from cohortlib.figures.words import counted, unit_text
from cohortlib.figures.zones.drawing import BOTTOM, outlines
from cohortlib.figures.zones.fill import ZoneFill, zone_fill
from cohortlib.figures.zones.labels import signed, write_numbers
from cohortlib.figures.zones.regions import regions

DESIGNS = ("stem", "resurfacing")
_COLUMNS = ("zone_system", "zone", "estimate", "ci_low", "ci_high", "n_hips", "n_patients", "unit")
_LATERAL_EDGE, _MEDIAL_EDGE, _TOP = -174.0, 150.0, 102.0
#: Height of the legend, in heights of a hip.
_LEGEND_ROW = 0.07


def draw_zone_map(axes: Axes, estimates: pd.DataFrame, *, design: str, side: str, fill: ZoneFill) -> None:
    """Draw one hip with its zones filled.

    Parameters
    ----------
    axes
        Axes to draw on, inside a `look`.
    estimates, design, side
        As in `plot_zone_map`, of one panel.
    fill
        From `zone_fill`.
    """
    mirror = 1.0 if side == "right" else -1.0
    width = mpl.rcParams["lines.linewidth"]
    shapes = outlines(design)
    bones = dict(
        zip(("pelvis", "femur"), (shape.points for shape in shapes if shape.kind == "bone"), strict=True)
    )
    for points in bones.values():
        axes.add_patch(Polygon(points * (mirror, 1), facecolor="#f4f2ee", edgecolor="none", zorder=1))
    for row in estimates.to_dict("records"):
        region = regions(str(row["zone_system"]))[str(row["zone"])]
        look_of = fill.look(float(row["estimate"]))
        patch = Polygon(
            region.polygon * (mirror, 1), edgecolor=INK, linewidth=0.5 * width, zorder=2, **look_of
        )
        axes.add_patch(patch)
        outline = PathPatch(Path(bones[region.bone] * (mirror, 1)), transform=axes.transData)
        patch.set_clip_path(outline)
    for shape in shapes:
        metal = shape.kind != "bone"
        axes.add_patch(
            Polygon(
                shape.points * (mirror, 1),
                facecolor="#a9adb3" if metal else "none",
                edgecolor=INK if metal else MUTED,
                linewidth=(0.6 if metal else 0.8) * width,
                zorder=3,
            )
        )
    axes.set_xlim(*sorted((_LATERAL_EDGE * mirror, _MEDIAL_EDGE * mirror)))
    axes.set_ylim(BOTTOM, _TOP)
    axes.set_aspect("equal")
    axes.set_axis_off()


def plot_zone_map(
    estimates: pd.DataFrame,
    *,
    designs: Mapping[str, str],
    by: str = "arm",
    labels: Mapping[str, str] | None = None,
    side: str = "right",
    quantity: str = "Change of bone density",
    limit: float | None = None,
    decimals: int = 1,
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "double column",
) -> Figure:
    """The bone around each arm's implant, every zone filled by its estimate and its numbers beside it.

    Parameters
    ----------
    estimates
        One row an arm and zone: the column `by`, zone_system (of "cup_3", "stem_7", "neck_1", "neck_2",
        "neck_6"), zone, estimate, ci_low, ci_high, n_hips, n_patients, unit. One visit, one unit.
    designs
        What is drawn for each value of `by`, in this order: "stem" or "resurfacing".
    by, labels
        Grouping column, and its values' labels.
    side
        "right" or "left": the hip as on a film, seen from the front. Estimates are the same for both.
    quantity
        What the legend calls it.
    limit
        Value of the darkest fill, in the unit; None takes a round number above the largest.
    decimals
        Of the numbers.
    title, notes
        Heading, and further lines below, such as that the data are invented.
    size
        One of `cohortlib.figures.style.SIZES`.

    Returns
    -------
    Figure
        One hip an arm. White is no change; the darker, the more of it; gains are hatched, so that they stay
        apart from losses in grey print. The drawing is a scheme: zones of one hip are not to scale.

    Raises
    ------
    StudyError
        If a column is missing, a zone comes twice in an arm, is not in the drawing of its design, or the
        rows have several units.
    """
    _check(estimates, designs=designs, by=by, side=side)
    fill = zone_fill(estimates["estimate"], limit=limit)
    unit = str(estimates["unit"].iloc[0])
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        stacked = size == "single column"
        columns = 1 if stacked else len(designs)
        panels = make_panels(
            figure,
            size,
            words_beside=False,
            width_ratios=[1.0] * columns,
            height_ratios=[_LEGEND_ROW, *[1.0] * (len(designs) if stacked else 1)],
        )
        hips = panels[columns:]
        for axes, (group, design) in zip(hips, designs.items(), strict=True):
            own = estimates[estimates[by].astype("str") == group]
            draw_zone_map(axes, own, design=design, side=side, fill=fill)
            most = own[["n_patients", "n_hips"]].max()
            numbers = f"{counted(int(most['n_patients']), 'patient')}, {counted(int(most['n_hips']), 'hip')}"
            # Inside the axes: above them stands the legend.
            name = f"{(labels or {}).get(group, group)}\n{numbers}"
            axes.text(0, 1, name, ha="left", va="top", fontweight="bold", transform=axes.transAxes)
        # In a row of its own: hung on one hip it would take the room of the other.
        for axes in panels[:columns]:
            axes.set_axis_off()
        handles, texts = zip(*_entries(fill, unit=unit, steps=1 if stacked else 2), strict=True)
        legend = panels[0].legend(
            handles, texts, loc="center left", ncols=len(texts), handlelength=1.3, columnspacing=1.0
        )
        legend.set_in_layout(False)
        draw_words(
            figure,
            size,
            hips,
            title=title,
            panel_mm=None,
            entries=(),
            notes=[
                f"Fill: {quantity}, gains hatched. At each zone: its number, mean, 95 % interval, n hips. "
                "A scheme, not to scale.",
                *notes,
            ],
            words_beside=False,
        )
        for axes, group in zip(hips, designs, strict=True):
            own = estimates[estimates[by].astype("str") == group]
            write_numbers(axes, own, mirror=1.0 if side == "right" else -1.0, decimals=decimals)
        return finish_figure(figure)


def _entries(fill: ZoneFill, *, unit: str, steps: int) -> list[Entry]:
    """Steps of loss and as many of gain, and none; few in a narrow figure, or the last would be cut off."""
    text = unit_text(unit)
    entries: list[Entry] = []
    for share in (step / steps for step in range(-steps, steps + 1)):
        value = share * fill.limit
        label = f"{signed(value, 0 if float(value).is_integer() else 1)} {text}"
        patch = Patch(edgecolor=FAINT, linewidth=0.5, **fill.look(value))
        entries.append((patch, label))
    return entries


def _check(estimates: pd.DataFrame, *, designs: Mapping[str, str], by: str, side: str) -> None:
    numbers = ("estimate", "ci_low", "ci_high", "n_hips", "n_patients")
    check_rows(estimates, (by, *_COLUMNS), name="estimates", numbers=numbers)
    problems = []
    if side not in ("right", "left"):
        problems.append(("side", side, 1, "'right' or 'left'", "Name the side of the patient"))
    if estimates["unit"].nunique() != 1:
        found = ", ".join(map(str, estimates["unit"].unique()))
        problems.append(("unit", found, 1, "one unit", "Draw percent and absolute change in two figures"))
    wrong = [design for design in designs.values() if design not in DESIGNS]
    if wrong:
        problems.append(("designs", wrong[0], len(wrong), "one of " + ", ".join(DESIGNS), "Name the drawing"))
    unknown = sorted(set(estimates[by].astype("str")) - set(designs))
    if unknown:
        problems.append((by, unknown[0], len(unknown), "one of " + ", ".join(designs), "Name its design"))
    twice = estimates.duplicated([by, "zone_system", "zone"])
    if twice.any():
        first = estimates.loc[twice, [by, "zone_system", "zone"]].iloc[0]
        remedy = "Choose one visit before drawing"
        problems.append(("zone", ", ".join(map(str, first)), int(twice.sum()), "each zone once", remedy))
    for row in estimates.itertuples():
        drawn = regions(str(row.zone_system))
        if str(row.zone) not in drawn:
            expected = "a zone of the drawing: " + (
                ", ".join(drawn) or "cup_3, stem_7, neck_1, neck_2, neck_6"
            )
            problems.append(("zone", f"{row.zone_system} {row.zone}", 1, expected, "Leave it out"))
    if problems:
        raise StudyError(
            problem(
                file="estimates", column=column, found=found, count=count, expected=expected, remedy=remedy
            )
            for column, found, count, expected, remedy in problems
        )
    if estimates["estimate"].isna().all():
        raise study_error(
            file="estimates",
            column="estimate",
            found="no zone with an estimate",
            count=len(estimates),
            expected="at least one",
            remedy="Look at the notes of the estimates",
        )
