"""Agreement of two readings: difference against mean, with the limits and their uncertainty."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Annotation
from matplotlib.ticker import MaxNLocator

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.figures.notes import TALLEST_MM, draw_words, make_panels
from cohortlib.figures.rows import check_rows, column_text, patients_and_hips
from cohortlib.figures.style import GROUP_LOOKS, INK, MUTED, finish_figure, look, make_figure
from cohortlib.figures.words import counted, decimals_for, interval, number, percent_text, with_unit

_LINES = ("lower", "bias", "upper")
_LIMITS = ("bias", "lower", "upper", *(f"{line}_ci_{end}" for line in _LINES for end in ("low", "high")), "n")
_PANEL_MM = {"single column": 50.0, "double column": 78.0, "slide": 0.0}


def agreement_points(pairs: pd.DataFrame, *, first: str, second: str) -> pd.DataFrame:
    """One row a pair: its mean and its difference, first minus second.

    Parameters
    ----------
    pairs
        One row an object measured twice: hip_id, patient_id and the two columns of values.
    first, second
        The columns compared.

    Returns
    -------
    DataFrame
        hip_id, patient_id, image_id where given, first, second, mean, difference; both are missing
        where a reading is.

    Raises
    ------
    StudyError
        If a column is missing or holds no numbers, or the two columns are one.
    """
    if first == second:
        raise study_error(
            file="pairs",
            column="first, second",
            found=first,
            expected="two columns",
            remedy="Name the two readings that are compared",
        )
    check_rows(pairs, ("hip_id", "patient_id", first, second), name="pairs", numbers=(first, second))
    ids = [column for column in ("hip_id", "patient_id", "image_id") if column in pairs.columns]
    points = pairs[[*ids, first, second]].copy()
    points["mean"] = (points[first] + points[second]) / 2
    points["difference"] = points[first] - points[second]
    return points.sort_values([*ids, first, second], kind="stable").reset_index(drop=True)


def draw_agreement(
    axes: Axes,
    pairs: pd.DataFrame,
    limits: pd.DataFrame,
    *,
    first: str,
    second: str,
    unit: str,
    half_range: float | None = None,
) -> list[Annotation]:
    """Draw difference against mean with bias and limits; bands are the confidence intervals given.

    Parameters
    ----------
    axes
        Axes to draw on, inside a `look`.
    pairs, limits, first, second, unit, half_range
        As in `plot_agreement`.

    Returns
    -------
    list of Annotation
        The words at the right end of the lines: lower limit, bias, upper limit.
    """
    points = agreement_points(pairs, first=first, second=second).dropna(subset=["difference"])
    row = _checked_limits(limits, n=len(points))
    width = mpl.rcParams["lines.linewidth"]
    shown = GROUP_LOOKS[0]
    axes.axhline(0, color=MUTED, linewidth=0.5 * width, zorder=1)
    for line in _LINES:
        low, high = row[f"{line}_ci_low"], row[f"{line}_ci_high"]
        axes.axhspan(low, high, color="#dcdcdc" if line == "bias" else "#ececec", linewidth=0, zorder=0.5)
        axes.axhline(
            row[line], color=INK, linewidth=width, linestyle="-" if line == "bias" else (0, (5, 3)), zorder=2
        )
    axes.plot(
        points["mean"],
        points["difference"],
        linestyle="none",
        marker=shown.marker,
        color=shown.colour,
        markeredgecolor="white",
        markeredgewidth=0.4 * width,
        alpha=0.9,
        zorder=3,
    )
    reach = max(
        float(points["difference"].abs().max()),
        *(abs(float(row[column])) for column in _LIMITS if column != "n"),
    )
    if half_range is None:
        half_range = 1.08 * reach or 1.0
    elif half_range < reach:
        raise study_error(
            column="half_range",
            found=half_range,
            expected=f"at least {reach:.4g}, so that every difference and limit is seen",
            remedy="Widen it, in every figure that is to be compared",
        )
    axes.xaxis.set_major_locator(MaxNLocator(nbins="auto", steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(nbins="auto", steps=[1, 2, 5, 10]))
    # Symmetrical about no difference: a bias shows as a shift, not only as a number.
    axes.set_ylim(-half_range, half_range)
    axes.set_xlabel(with_unit(f"Mean of {first} and {second}", unit))
    axes.set_ylabel(with_unit(f"{first} − {second}", unit))
    decimals = decimals_for([row["lower"], row["upper"]])
    return [
        axes.annotate(
            f"{name} {number(row[line], decimals=decimals)}\n"
            f"({interval(row[f'{line}_ci_low'], row[f'{line}_ci_high'], decimals=decimals)})",
            xy=(1.02, row[line]),
            xycoords=("axes fraction", "data"),
            xytext=(0, 0),
            textcoords="offset points",
            ha="left",
            va="center",
            annotation_clip=False,
        )
        for line, name in (("lower", "lower limit"), ("bias", "bias"), ("upper", "upper limit"))
    ]


def plot_agreement(
    pairs: pd.DataFrame,
    limits: pd.DataFrame,
    *,
    first: str,
    second: str,
    unit: str,
    half_range: float | None = None,
    confidence: float = 0.95,
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "single column",
) -> Figure:
    """Difference against mean of two readings, with bias, limits of agreement and their intervals.

    Parameters
    ----------
    pairs
        One row an object read twice: hip_id, patient_id, image_id if there is one, and two columns
        of values.
    limits
        The one row that the limits of agreement of these pairs are reported in: bias, lower, upper,
        bias_ci_low, bias_ci_high, lower_ci_low, lower_ci_high, upper_ci_low, upper_ci_high, n; method
        and note are written below where given.
    first, second
        The two columns; the difference is first minus second.
    unit
        UCUM unit of both.
    half_range
        The difference axis runs from minus this to plus this [unit], the same in figures that are to
        be compared; None fits this figure alone.
    confidence
        What the intervals in `limits` cover, as the figure says it.
    title
        Heading; "" for none.
    notes
        Further lines below, such as that the data are invented.
    size
        One of `cohortlib.figures.style.SIZES`.

    Returns
    -------
    Figure
        One axes; pairs without both readings are not drawn but counted below.

    Raises
    ------
    StudyError
        If a column is missing, no pair is complete, or `limits` was computed from another number of
        pairs than is drawn.

    References
    ----------
    Bland JM, Altman DG. Statistical methods for assessing agreement between two methods of clinical
    measurement. Lancet 1986;1:307-10.
    """
    points = agreement_points(pairs, first=first, second=second)
    complete = points.dropna(subset=["difference"])
    missing = len(points) - len(complete)
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        (axes,) = make_panels(figure, size, words_beside=False)
        labels = draw_agreement(
            axes, pairs, limits, first=first, second=second, unit=unit, half_range=half_range
        )
        images = (
            f"{counted(int(complete['image_id'].nunique()), 'image')}, " if "image_id" in complete else ""
        )
        draw_words(
            figure,
            size,
            [axes],
            title=title,
            panel_mm=_PANEL_MM[size],
            entries=[],
            notes=[
                f"n = {counted(len(complete), 'pair')}: {images}{patients_and_hips(complete)}.",
                f"Bands: {percent_text(confidence)} confidence interval.",
                f"Not drawn: {counted(missing, 'pair')} without both readings." if missing else "",
                *(column_text(limits, column) for column in ("method", "note")),
                *notes,
            ],
            words_beside=False,
        )
        figure.draw_without_rendering()
        _part_labels(labels)
        return finish_figure(figure)


def _part_labels(labels: Sequence[Annotation]) -> None:
    """Move the outer labels away from the middle one where they would touch it; the layout must stand."""
    lower, bias, upper = (label.get_window_extent() for label in labels)
    pt_per_px = 72 / labels[0].get_figure(root=True).dpi  # type: ignore[union-attr]
    gap_px = 0.2 * (bias.y1 - bias.y0)
    down_px = min(0.0, bias.y0 - gap_px - lower.y1)
    up_px = max(0.0, bias.y1 + gap_px - upper.y0)
    labels[0].xyann = (0, down_px * pt_per_px)
    labels[2].xyann = (0, up_px * pt_per_px)


def _checked_limits(limits: pd.DataFrame, *, n: int) -> dict[str, float]:
    """The one row of limits as numbers; raises where it cannot belong to `n` pairs."""
    if n == 0:
        raise study_error(
            file="pairs",
            found="no pair with both readings",
            expected="at least one",
            remedy="Look at the selection made before drawing",
        )
    check_rows(limits, _LIMITS, name="limits", numbers=_LIMITS, rows=1)
    row = {column: float(limits[column].iloc[0]) for column in _LIMITS}
    problems = []
    unknown = [column for column in _LIMITS if np.isnan(row[column])]
    if unknown:
        problems.append(
            problem(
                file="limits",
                column=", ".join(unknown),
                found="no value",
                expected="bias and limits with their intervals",
                remedy="Too few pairs for limits: show the pairs as a table",
            )
        )
    if row["n"] != n:
        problems.append(
            problem(
                file="limits",
                column="n",
                found=row["n"],
                expected=f"{n}, the pairs drawn",
                remedy="Compute the limits from the same rows as are drawn",
            )
        )
    for line in _LINES:
        low, high = row[f"{line}_ci_low"], row[f"{line}_ci_high"]
        if low > high:
            problems.append(
                problem(
                    file="limits",
                    column=f"{line}_ci_low",
                    found=low,
                    expected=f"at most {line}_ci_high, {high:g}",
                    remedy="Give the row as the function that makes it returns it",
                )
            )
    if problems:
        raise StudyError(problems)
    return row
