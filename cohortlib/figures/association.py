"""A patient's score against an imaging quantity of the hip, with a line fitted elsewhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import matplotlib as mpl
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch
from matplotlib.ticker import MaxNLocator

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.figures.notes import TALLEST_MM, Entry, draw_words, make_panels
from cohortlib.figures.rows import check_rows, column_text, group_labels, patients_and_hips
from cohortlib.figures.style import INK, MUTED, finish_figure, group_looks, look, make_figure
from cohortlib.figures.words import (
    NO_BREAK,
    counted,
    decimals_for,
    interval,
    number,
    p_text,
    percent_text,
    unit_text,
    with_unit,
)

_PANEL_MM = {"single column": 56.0, "double column": 84.0, "slide": 0.0}


def draw_association(
    axes: Axes,
    points: pd.DataFrame,
    fit: pd.DataFrame | None,
    *,
    x: str,
    y: str,
    by: str,
    labels: Mapping[str, str] | None = None,
    ceiling: float | None = None,
    confidence: float = 0.95,
) -> list[Entry]:
    """Draw one marker a hip, both hips of a patient joined, over a fitted line with its band.

    Parameters
    ----------
    axes
        Axes to draw on, inside a `look`.
    points, fit, x, y, by, labels, ceiling, confidence
        As in `plot_association`.

    Returns
    -------
    list of (artist, text)
        For a legend: one a group, with its numbers of patients and hips, then the lines.
    """
    _check_points(points, x=x, y=y, by=by)
    names = group_labels(points, by, labels, name="points")
    curve = None if fit is None else _checked_fit(fit, x=x)
    drawn = points.dropna(subset=[x, y]).sort_values(["patient_id", "hip_id"], kind="stable")
    width = mpl.rcParams["lines.linewidth"]
    best = None
    if ceiling is not None:
        best = axes.axhline(ceiling, color=MUTED, linewidth=0.8 * width, linestyle=(0, (1, 2)), zorder=1)
    fitted: list[Entry] = []
    if curve is not None:
        band = axes.fill_between(
            curve[x], curve["ci_low"], curve["ci_high"], color="#dedede", linewidth=0, zorder=0.5
        )
        (line,) = axes.plot(curve[x], curve["estimate"], color=INK, linewidth=1.4 * width, zorder=2)
        fitted = [((band, line), f"fitted line, {percent_text(confidence)} confidence interval")]
    pair = None
    for _, hips in drawn.groupby("patient_id", sort=True):
        # Bent, because both hips share one score: a straight line would run through other patients.
        for places in zip(hips[[x, y]].to_numpy()[:-1], hips[[x, y]].to_numpy()[1:], strict=True):
            start, end = sorted(map(tuple, places))
            pair = axes.add_artist(
                FancyArrowPatch(
                    start,
                    end,
                    arrowstyle="-",
                    connectionstyle="arc3,rad=0.12",
                    shrinkA=0,
                    shrinkB=0,
                    color=MUTED,
                    linewidth=0.6 * width,
                    zorder=2.5,
                )
            )
    entries: list[Entry] = []
    for group, group_look in group_looks(names).items():
        rows = drawn[drawn[by].astype(str) == group]
        if rows.empty:
            continue
        (markers,) = axes.plot(
            rows[x],
            rows[y],
            linestyle="none",
            marker=group_look.marker,
            color=group_look.colour,
            markeredgecolor="white",
            markeredgewidth=0.4 * width,
            zorder=3,
        )
        entries.append((markers, f"{names[group]}: {patients_and_hips(rows)}"))
    entries += fitted
    if pair is not None:
        entries.append((Line2D([], [], color=MUTED, linewidth=0.6 * width), "both hips of one patient"))
    if best is not None:
        entries.append((best, f"best possible score, {ceiling:g}"))
    axes.xaxis.set_major_locator(MaxNLocator(nbins="auto", steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(nbins="auto", steps=[1, 2, 5, 10]))
    return entries


def plot_association(
    points: pd.DataFrame,
    fit: pd.DataFrame | None,
    *,
    x: str,
    y: str,
    x_label: str,
    y_label: str,
    x_unit: str,
    y_unit: str,
    estimate: pd.DataFrame,
    estimate_label: str,
    ceiling: float | None,
    by: str = "arm",
    labels: Mapping[str, str] | None = None,
    confidence: float = 0.95,
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "single column",
) -> Figure:
    """A score against an imaging quantity, one marker a hip, with the fitted line and its band.

    Parameters
    ----------
    points
        One row a hip: hip_id, patient_id, the columns `x`, `y` and `by`.
    fit
        The fitted line: `x`, estimate, ci_low, ci_high, computed by the model that is reported; None
        draws none.
    x, y
        Columns of the imaging quantity and of the score.
    x_label, y_label, x_unit, y_unit
        What the axes say, and their UCUM units.
    estimate
        One row: estimate, ci_low, ci_high, unit; p_value, df, method and note are written and n_patients
        and n_hips compared with what is drawn where given. An empty number is written as no estimate.
    estimate_label
        What the estimate is: "Slope", "Correlation" …
    ceiling
        The best possible score, drawn as a line and its hips counted; None if the score has none.
    by, labels
        Grouping column and its values' labels in the study's order.
    confidence
        What the intervals cover, as the figure says it.
    title
        Heading; "" for none.
    notes
        Further lines below, such as that the data are invented.
    size
        One of `cohortlib.figures.style.SIZES`.

    Returns
    -------
    Figure
        One axes; hips without both values are not drawn but counted below.

    Raises
    ------
    StudyError
        If a column is missing, no hip has both values, a score lies above its ceiling, or a table
        does not have the rows it should.
    """
    _check_points(points, x=x, y=y, by=by)
    known = points[[x, y]].notna().all(axis=1)
    drawn = points[known]
    missing = int((~known).sum())
    if drawn.empty:
        raise study_error(
            file="points",
            column=f"{x}, {y}",
            found="no hip with both values",
            count=len(points),
            expected="at least one",
            remedy="Look at how the score was joined to the measurement",
        )
    _check_estimate(estimate, drawn)
    above = 0 if ceiling is None else int((drawn[y] > ceiling).sum())
    if above:
        raise study_error(
            file="points",
            column=y,
            found=float(drawn[y].max()),
            count=above,
            expected=f"at most the ceiling, {ceiling:g}",
            remedy="Check the direction and the range of the score",
        )
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        (axes,) = make_panels(figure, size)
        entries = draw_association(
            axes, points, fit, x=x, y=y, by=by, labels=labels, ceiling=ceiling, confidence=confidence
        )
        axes.set_xlabel(with_unit(x_label, x_unit))
        axes.set_ylabel(with_unit(y_label, y_unit))
        draw_words(
            figure,
            size,
            [axes],
            title=title,
            panel_mm=_PANEL_MM[size],
            entries=entries,
            notes=[
                _estimate_text(estimate, label=estimate_label, confidence=confidence),
                f"n = {patients_and_hips(drawn)}.",
                _ceiling_note(drawn, y=y, ceiling=ceiling),
                f"Not drawn: {counted(missing, 'hip')} without both values." if missing else "",
                *(column_text(estimate, column) for column in ("method", "note")),
                *notes,
            ],
        )
        return finish_figure(figure)


def _ceiling_note(drawn: pd.DataFrame, *, y: str, ceiling: float | None) -> str:
    """How many patients cannot show that they are better: the score is the patient's, not the hip's."""
    if ceiling is None:
        return ""
    there = int(drawn.loc[drawn[y] == ceiling, "patient_id"].nunique())
    share = f"{there} of {counted(int(drawn['patient_id'].nunique()), 'patient')}".replace(" ", NO_BREAK)
    return f"At the best possible score: {share}."


def _check_points(points: pd.DataFrame, *, x: str, y: str, by: str) -> None:
    check_rows(points, ("hip_id", "patient_id", by, x, y), name="points", numbers=(x, y))
    again = points["hip_id"].duplicated(keep=False)
    if again.any():
        raise study_error(
            file="points",
            column="hip_id",
            found=str(points.loc[again, "hip_id"].iloc[0]),
            count=int(again.sum()),
            expected="one row a hip",
            remedy="Choose one visit and reader before drawing",
        )


def _checked_fit(fit: pd.DataFrame, *, x: str) -> pd.DataFrame:
    columns = (x, "estimate", "ci_low", "ci_high")
    check_rows(fit, columns, name="fit", numbers=columns)
    problems = []
    missing = int(fit[list(columns)].isna().any(axis=1).sum())
    if missing:
        problems.append(
            problem(
                file="fit",
                found="no value",
                count=missing,
                expected="a line with its band at every place",
                remedy="Draw no line from a fit that failed",
            )
        )
    crossed = int((fit["ci_low"] > fit["ci_high"]).sum())
    if crossed:
        problems.append(
            problem(
                file="fit",
                column="ci_low",
                found="a bound above ci_high",
                count=crossed,
                expected="ci_low at most ci_high",
                remedy="Give the table as the function that makes it returns it",
            )
        )
    if problems:
        raise StudyError(problems)
    return fit.sort_values(x, kind="stable")


def _check_estimate(estimate: pd.DataFrame, drawn: pd.DataFrame) -> None:
    """Raise unless `estimate` is one row, computed from as many patients and hips as are drawn."""
    bounds = ("estimate", "ci_low", "ci_high")
    check_rows(estimate, (*bounds, "unit"), name="estimate", numbers=bounds, rows=1)
    problems = [
        problem(
            file="estimate",
            column=column,
            found=float(estimate[column].iloc[0]),
            expected=f"{drawn[ids].nunique()}, as are drawn",
            remedy="Compute the estimate from the same rows as are drawn",
        )
        for column, ids in (("n_patients", "patient_id"), ("n_hips", "hip_id"))
        if column in estimate and estimate[column].iloc[0] != drawn[ids].nunique()
    ]
    if problems:
        raise StudyError(problems)


def _estimate_text(estimate: pd.DataFrame, *, label: str, confidence: float) -> str:
    row = estimate.iloc[0]
    low, value, high = float(row["ci_low"]), float(row["estimate"]), float(row["ci_high"])
    if pd.isna(value):
        return f"{label}: no estimate."
    decimals = decimals_for([low, high])
    parts = [
        f"{number(value, decimals=decimals)} {unit_text(str(row['unit']))}".strip()
        + f" ({percent_text(confidence)} CI {interval(low, high, decimals=decimals)})"
    ]
    if "p_value" in estimate and pd.notna(row["p_value"]):
        parts.append(p_text(float(row["p_value"])))
    if "df" in estimate and pd.notna(row["df"]):
        parts.append(f"df{NO_BREAK}{round(float(row['df']), 1):g}")
    return f"{label} {', '.join(parts)}."
