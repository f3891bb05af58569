"""Scores over visits: a line a patient, the means given, and how many patients and hips there are."""

from __future__ import annotations

import functools

import numpy as np
import pandas as pd
import pytest
from figure_tables import LABELS, assert_readable, hips, written
from matplotlib.container import ErrorbarContainer
from matplotlib.text import Text

from cohortlib.errors import StudyError
from cohortlib.figures.scores import plot_scores_over_visits
from cohortlib.figures.style import SIZES

VISITS = {"before": "Before", "week_6": "6 weeks", "month_12": "12 months"}
OPTIONS = {
    "value": "score",
    "visits": VISITS,
    "y_label": "Oxford Hip Score",
    "y_unit": "{score}",
    "ceiling": 48.0,
    "labels": LABELS,
}


def scores() -> pd.DataFrame:
    """A patient's score beside each of his hips; one patient missed 6 weeks, P05 has a hip in each arm."""
    rng = np.random.default_rng(21)
    table = hips()
    table["arm"] = table.groupby("patient_id")["arm"].transform("first")
    table.loc[table["hip_id"] == "P05_left", "arm"] = "resurfacing"
    table.loc[table["hip_id"] == "P05_right", "arm"] = "short_stem"
    parts = []
    for visit, mean in zip(VISITS, (20, 30, 43), strict=True):
        score = {
            patient: float(np.clip(rng.normal(mean, 6), 0, 48).round())
            for patient in table["patient_id"].unique()
        }
        parts.append(table.assign(visit_id=visit, score=table["patient_id"].map(score)))
    rows = pd.concat(parts, ignore_index=True)
    rows.loc[(rows["visit_id"] == "week_6") & (rows["patient_id"] == "P03"), "score"] = np.nan
    return rows


def means(rows: pd.DataFrame | None = None) -> pd.DataFrame:
    """Means with intervals as a table gives them; the width is made up."""
    known = (scores() if rows is None else rows).dropna(subset=["score"])
    table = known.groupby(["visit_id", "arm"], as_index=False).agg(
        estimate=("score", "mean"), n_patients=("patient_id", "nunique"), n_hips=("hip_id", "nunique")
    )
    return table.assign(ci_low=table["estimate"] - 2, ci_high=table["estimate"] + 3)


def plotted(rows=None, averages=None, **more):
    return plot_scores_over_visits(
        scores() if rows is None else rows,
        means() if averages is None else averages,
        **(OPTIONS | more),
    )


@functools.cache
def finished(size="single column"):
    return plotted(size=size, title="Scores before and after the operation", notes=["Invented data."])


# --- by hand ---------------------------------------------------------------------------------------


def test_one_line_a_patient_and_group():
    faint = [line for line in finished().axes[0].lines if line.get_alpha() == 0.25]
    assert len(faint) == scores().drop_duplicates(["patient_id", "arm"]).shape[0]


def test_a_line_breaks_where_there_is_no_score():
    faint = [line for line in finished().axes[0].lines if line.get_alpha() == 0.25]
    broken = [line for line in faint if np.isnan(line.get_ydata()[1])]
    assert len(broken) == 1
    assert np.isfinite(broken[0].get_ydata()[[0, 2]]).all()


def test_means_and_bars_are_those_given():
    bars = [each for each in finished().axes[0].containers if isinstance(each, ErrorbarContainer)]
    for arm, bar in zip(LABELS, bars, strict=True):
        averages = means()
        given = averages[averages["arm"] == arm].set_index("visit_id").loc[list(VISITS)]
        assert bar.lines[0].get_ydata().tolist() == given["estimate"].tolist()
        ends = [segment[:, 1].tolist() for segment in bar.lines[2][0].get_segments()]
        assert np.allclose(ends, given[["ci_low", "ci_high"]].to_numpy())


def test_words_say_how_many():
    text = written(finished())
    at_12 = scores().query("visit_id == 'month_12'")
    for arm, label in LABELS.items():
        own = at_12[at_12["arm"] == arm]
        assert f"{own['patient_id'].nunique()} ({len(own)})" in text
        assert f"{label}: {own['patient_id'].nunique()} patients, {len(own)} hips" in text
    assert "n = 30 patients, 36 hips" in text
    best = at_12.query("score == 48")["patient_id"].nunique()
    assert best > 1
    assert f"At the best possible score: at most {best} of 30 patients, at 12 months." in text
    assert "1 patient with a hip in each group counted in both." in text
    assert "Oxford Hip Score (points)" in text
    assert "Invented data." in text


def test_nobody_at_the_ceiling():
    rows = scores().assign(score=lambda table: table["score"].clip(upper=40))
    assert "Nobody has the best possible score." in written(plotted(rows, means(rows)))


def test_without_ceiling():
    assert "best possible" not in written(plotted(ceiling=None))


def test_a_visit_at_which_nobody_was_asked_is_left_out_and_named():
    visits = {"before": "Before", "discharge": "Discharge", "week_6": "6 weeks", "month_12": "12 months"}
    axes = plotted(visits=visits).axes[0]
    assert [label.get_text().replace("\n", " ") for label in axes.get_xticklabels()] == list(VISITS.values())
    told = " ".join(text.get_text() for text in axes.figure.findobj(Text)).replace("\n", " ")
    assert "Not drawn: Discharge, without any form." in told


def test_a_mean_that_is_not_known_is_not_drawn():
    averages = means().assign(ci_low=lambda t: t["ci_low"].where(t["visit_id"] != "before"))
    bars = plotted(averages=averages).axes[0].containers
    assert [len(bar.lines[0].get_ydata()) for bar in bars] == [2, 2]


# --- by law ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_readable(size):
    figure = finished(size)
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(SIZES[size].width_mm)
    assert_readable(figure, least_pt=18 if size == "slide" else 8)


# --- by failure ------------------------------------------------------------------------------------

BAD = [
    ({"rows": scores().drop(columns="score")}, r"scores, score: found no such column"),
    ({"rows": scores().head(0)}, r"scores: found 0 rows"),
    ({"rows": scores().assign(score=np.nan)}, r"found no hip with a score"),
    ({"rows": scores().assign(visit_id="year_2")}, r"scores, visit_id: found 'year_2' \(108 rows\)"),
    ({"rows": pd.concat([scores(), scores().head(1)])}, r"hip_id: found 'P00_left' \(2 rows\)"),
    ({"ceiling": 40.0}, r"scores, score: found .* Expected at most the ceiling, 40"),
    ({"averages": means().drop(columns="ci_low")}, r"means, ci_low: found no such column"),
    ({"averages": means().assign(n_hips=3)}, r"means, n_hips: found 3 at before, resurfacing \(6 rows\)"),
    ({"labels": {"resurfacing": "Resurfacing"}}, r"scores, arm: found 'short_stem'"),
]


@pytest.mark.parametrize(("change", "message"), BAD)
def test_refused(change, message):
    with pytest.raises(StudyError, match=message):
        plotted(**change)
