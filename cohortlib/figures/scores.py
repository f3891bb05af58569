"""Patients' scores from visit to visit: every patient faint, the means of the groups with their intervals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.figures.notes import TALLEST_MM, Entry, draw_words, make_panels
from cohortlib.figures.rows import check_rows, group_labels, patients_and_hips
from cohortlib.figures.style import MUTED, finish_figure, group_looks, look, make_figure
from cohortlib.figures.words import NO_BREAK, counted, percent_text, with_unit

_PANEL_MM = {"single column": 66.0, "double column": 84.0, "slide": 0.0}
#: How far the groups' means stand beside each other, in steps between visits.
_BESIDE = 0.12


def draw_scores_over_visits(
    axes: Axes,
    scores: pd.DataFrame,
    means: pd.DataFrame,
    *,
    value: str,
    visits: Mapping[str, str],
    by: str,
    labels: Mapping[str, str] | None = None,
    ceiling: float | None = None,
    confidence: float = 0.95,
) -> list[Entry]:
    """Draw a faint line a patient, each group's mean with its interval, and the numbers below the visits.

    Parameters
    ----------
    axes
        Axes to draw on, inside a `look`.
    scores, means, value, visits, by, labels, ceiling, confidence
        As in `plot_scores_over_visits`.

    Returns
    -------
    list of (artist, text)
        For a legend: one a group, with its numbers of patients and hips, then the other lines.
    """
    names = group_labels(scores, by, labels, name="scores")
    place = {visit: number for number, visit in enumerate(visits)}
    # A word a line, so that neighbours stay apart in a narrow figure.
    written = [label.replace(" ", "\n") for label in visits.values()]
    lines = 1 + max(label.count("\n") for label in written)
    known = scores.dropna(subset=[value])
    groups = {group: each for group, each in group_looks(names).items() if (known[by] == group).any()}
    width, points = mpl.rcParams["lines.linewidth"], mpl.rcParams["font.size"]
    entries: list[Entry] = []
    best = None
    if ceiling is not None:
        best = axes.axhline(ceiling, color=MUTED, linewidth=0.8 * width, linestyle=(0, (1, 2)), zorder=1)
    for row, (group, group_look) in enumerate(groups.items()):
        own = known[known[by] == group]
        across = own.pivot(index="hip_id", columns="visit_id", values=value).reindex(columns=list(place))
        whose = own.drop_duplicates("hip_id").set_index("hip_id")["patient_id"]
        # Both hips of a patient share his line: drawn twice it would look darker than others.
        for line in across.assign(patient_id=whose).drop_duplicates()[list(place)].to_numpy(dtype=float):
            axes.plot(
                list(place.values()),
                line,
                color=group_look.colour,
                linewidth=0.5 * width,
                marker=".",
                markersize=1.6 * width,
                alpha=0.25,
                zorder=1.5,
            )
        mean = means[means[by] == group].dropna(subset=["estimate", "ci_low", "ci_high"])
        mean = mean.assign(x=mean["visit_id"].map(place)).sort_values("x")
        beside = _BESIDE * (row - (len(groups) - 1) / 2)
        bars = axes.errorbar(
            mean["x"] + beside,
            mean["estimate"],
            yerr=np.abs(mean[["ci_low", "ci_high"]].to_numpy(dtype=float).T - mean["estimate"].to_numpy()),
            color=group_look.colour,
            marker=group_look.marker,
            markeredgecolor="white",
            markeredgewidth=0.4 * width,
            linewidth=1.4 * width,
            elinewidth=1.2 * width,
            zorder=3,
        )
        entries.append((bars.lines[0], f"{names[group]}: {patients_and_hips(own)}"))
        below_pt = points * (1.4 + 1.2 * lines + 1.25 * row)
        _draw_numbers(axes, own, place, name=names[group], colour=group_look.colour, below_pt=below_pt)
    entries.append((Line2D([], [], color=MUTED, linewidth=0.5 * width, alpha=0.6), "one patient each"))
    if best is not None:
        entries.append((best, f"best possible score, {ceiling:g}"))
    bar = Line2D([], [], color=MUTED, linewidth=1.2 * width)
    entries.append((bar, f"mean with its {percent_text(confidence)} confidence interval"))
    axes.set_xticks(list(place.values()), written)
    axes.set_xlim(-0.35, len(place) - 0.65)
    axes.yaxis.set_major_locator(MaxNLocator(nbins="auto", steps=[1, 2, 5, 10]))
    return entries


def plot_scores_over_visits(
    scores: pd.DataFrame,
    means: pd.DataFrame,
    *,
    value: str,
    visits: Mapping[str, str],
    y_label: str,
    y_unit: str,
    ceiling: float | None,
    by: str = "arm",
    labels: Mapping[str, str] | None = None,
    confidence: float = 0.95,
    title: str = "",
    notes: Sequence[str] = (),
    size: str = "single column",
) -> Figure:
    """Scores from visit to visit, one faint line a patient, with each group's mean and its interval.

    Parameters
    ----------
    scores
        One row a hip and visit, with its patient's score: hip_id, patient_id, visit_id, the columns `value`
        and `by`.
    means
        One row a group and visit: visit_id, the column `by`, estimate, ci_low, ci_high; n_patients and
        n_hips are compared with what is drawn where given. Empty numbers are not drawn.
    value
        Column of the score.
    visits
        Visit to label, in the order of the schedule. They stand evenly, whatever the time between them.
    y_label, y_unit
        What the axis says, and its UCUM unit.
    ceiling
        The best possible score, drawn as a line and its patients counted; None if the score has none.
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
        One axes, with patients (hips) that have a score below each visit. A line breaks where a visit has
        no score. A visit at which nobody was asked (no row at all) is left out, and a note says so. A patient
        with a hip in each of two groups is drawn in both.

    Raises
    ------
    StudyError
        If a column is missing, a visit is not named in `visits`, no row has a score, a hip has two scores
        at a visit, a score lies above its ceiling, or the means are of other rows than those drawn.
    """
    _check_scores(scores, value=value, visits=visits, by=by, ceiling=ceiling)
    _check_means(means, scores.dropna(subset=[value]), by=by)
    asked = set(scores["visit_id"])
    not_asked = [label for visit, label in visits.items() if visit not in asked]
    visits = {visit: label for visit, label in visits.items() if visit in asked}
    with look(size):
        figure = make_figure(size, height_mm=TALLEST_MM[size])
        (axes,) = make_panels(figure, size)
        entries = draw_scores_over_visits(
            axes,
            scores,
            means,
            value=value,
            visits=visits,
            by=by,
            labels=labels,
            ceiling=ceiling,
            confidence=confidence,
        )
        axes.set_ylabel(with_unit(y_label, y_unit))
        known = scores.dropna(subset=[value])
        draw_words(
            figure,
            size,
            [axes],
            title=title,
            panel_mm=_PANEL_MM[size],
            entries=entries,
            notes=[
                f"n = {patients_and_hips(known)}; below each visit: patients (hips) with a score.",
                _ceiling_note(known, value=value, visits=visits, ceiling=ceiling),
                _both_groups_note(known, by=by),
                f"Not drawn: {', '.join(not_asked)}, without any form." if not_asked else "",
                *notes,
            ],
        )
        return finish_figure(figure)


def _draw_numbers(
    axes: Axes, rows: pd.DataFrame, place: Mapping[str, int], *, name: str, colour: str, below_pt: float
) -> None:
    """The group's name and, below each visit, how many patients (hips) have a score."""
    below: dict[str, Any] = {
        "textcoords": "offset points",
        "va": "top",
        "color": colour,
        "annotation_clip": False,
    }
    axes.annotate(name, (0, 0), (-4, -below_pt), xycoords="axes fraction", ha="right", **below)
    for visit, x in place.items():
        at_visit = rows[rows["visit_id"] == visit]
        text = f"{at_visit['patient_id'].nunique()} ({at_visit['hip_id'].nunique()})"
        axes.annotate(text, (x, 0), (0, -below_pt), xycoords=("data", "axes fraction"), ha="center", **below)


def _ceiling_note(
    known: pd.DataFrame, *, value: str, visits: Mapping[str, str], ceiling: float | None
) -> str:
    """How many patients cannot show that they are better, at the visit where most are."""
    if ceiling is None:
        return ""
    patients = known.drop_duplicates(["patient_id", "visit_id", value])
    there = patients[patients[value] == ceiling].groupby("visit_id").size()
    if there.empty:
        return "Nobody has the best possible score."
    visit = str(there.idxmax())
    of = counted(int(known.loc[known["visit_id"] == visit, "patient_id"].nunique()), "patient")
    share = f"{there[visit]} of {of}".replace(" ", NO_BREAK)
    return f"At the best possible score: at most {share}, at {visits[visit].replace(' ', NO_BREAK)}."


def _both_groups_note(known: pd.DataFrame, *, by: str) -> str:
    both = int((known.groupby("patient_id")[by].nunique() > 1).sum())
    return f"{counted(both, 'patient')} with a hip in each group counted in both." if both else ""


def _check_scores(
    scores: pd.DataFrame, *, value: str, visits: Mapping[str, str], by: str, ceiling: float | None
) -> None:
    check_rows(scores, ("hip_id", "patient_id", "visit_id", by, value), name="scores", numbers=(value,))
    problems = []

    def add(rows: pd.Series, column: str, expected: str, remedy: str) -> None:
        if rows.any():
            found = str(scores.loc[rows, column].iloc[0])
            count = int(rows.sum())
            problems.append(
                problem(
                    file="scores", column=column, found=found, count=count, expected=expected, remedy=remedy
                )
            )

    add(
        ~scores["visit_id"].isin(list(visits)),
        "visit_id",
        "one of " + ", ".join(visits),
        "Name the visit in `visits`, or leave its rows out",
    )
    add(
        scores.duplicated(["hip_id", "visit_id"], keep=False),
        "hip_id",
        "one row a hip and visit",
        "Choose one instrument before drawing",
    )
    if ceiling is not None:
        add(
            scores[value] > ceiling,
            value,
            f"at most the ceiling, {ceiling:g}",
            "Check the direction and the range of the score",
        )
    if problems:
        raise StudyError(problems)
    if scores[value].isna().all():
        raise study_error(
            file="scores",
            column=value,
            found="no hip with a score",
            count=len(scores),
            expected="at least one",
            remedy="Look at how the scores were joined to the hips",
        )


def _check_means(means: pd.DataFrame, known: pd.DataFrame, *, by: str) -> None:
    bounds = ("estimate", "ci_low", "ci_high")
    check_rows(means, ("visit_id", by, *bounds), name="means", numbers=bounds)
    problems = []
    for ids in ("patient_id", "hip_id"):
        column = {"patient_id": "n_patients", "hip_id": "n_hips"}[ids]
        if column not in means:
            continue
        drawn = known.groupby(["visit_id", by])[ids].nunique()
        given = means.set_index(["visit_id", by])[column]
        wrong = given != drawn.reindex(given.index).fillna(0)
        if wrong.any():
            problems.append(
                problem(
                    file="means",
                    column=column,
                    found=f"{given[wrong].iloc[0]} at {', '.join(map(str, given.index[wrong][0]))}",
                    count=int(wrong.sum()),
                    expected="as many as are drawn",
                    remedy="Compute the means from the same rows as are drawn",
                )
            )
    if problems:
        raise StudyError(problems)
