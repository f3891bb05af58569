"""Association: a score against an imaging quantity, with the line and the estimate given."""

from __future__ import annotations

import functools

import numpy as np
import pandas as pd
import pytest
from figure_tables import LABELS, assert_readable, estimate, fit, scores, written
from matplotlib.patches import FancyArrowPatch

from cohortlib.errors import StudyError
from cohortlib.figures.association import plot_association
from cohortlib.figures.style import GROUP_LOOKS, SIZES

OPTIONS = {
    "x": "inclination",
    "y": "score",
    "x_label": "Radiographic inclination",
    "y_label": "Oxford Hip Score",
    "x_unit": "deg",
    "y_unit": "{score}",
    "estimate_label": "Slope",
    "ceiling": 48.0,
    "labels": LABELS,
}


def plotted(points=None, line=None, row=None, **more):
    return plot_association(
        scores() if points is None else points,
        fit() if line is None else line,
        estimate=estimate() if row is None else row,
        **(OPTIONS | more),
    )


@functools.cache
def finished(size="single column"):
    return plotted(size=size, title="Score at 12 months and inclination of the cup", notes=["Invented data."])


# --- by hand ---------------------------------------------------------------------------------------


def test_one_marker_a_hip_with_both_values():
    signs = {each.marker for each in GROUP_LOOKS}
    lines = [line for line in finished().axes[0].lines if line.get_marker() in signs]
    drawn = [point for line in lines for point in line.get_xydata().tolist()]
    assert sorted(drawn) == sorted(scores().dropna()[["inclination", "score"]].to_numpy().tolist())
    assert len(drawn) == 35


def test_both_hips_of_a_patient_are_joined():
    hips = scores().dropna().groupby("patient_id").size()
    joined = finished().axes[0].findobj(FancyArrowPatch)
    assert len(joined) == (hips == 2).sum() == 5


def test_line_is_the_one_given():
    (line,) = [line for line in finished().axes[0].lines if len(line.get_xdata()) == 20]
    assert line.get_ydata().tolist() == fit()["estimate"].tolist()


def test_words_say_how_many_and_how_sure():
    text = written(finished())
    assert "Slope −0.05 per degree (95 % CI −0.26 to 0.16), p = 0.632, df 21.4." in text
    assert "n = 30 patients, 35 hips." in text
    best = scores().dropna().query("score == 48")["patient_id"].nunique()
    assert f"At the best possible score: {best} of 30 patients." in text
    assert "Not drawn: 1 hip without both values." in text
    assert "Note: exploratory." in text
    assert "Oxford Hip Score (points)" in text
    assert "Invented data." in text


def test_no_estimate_is_said_so():
    row = estimate().assign(
        estimate=np.nan, ci_low=np.nan, ci_high=np.nan, note="no estimate from 2 patients"
    )
    figure = plot_association(scores(), None, estimate=row, **OPTIONS)
    assert "Slope: no estimate." in written(figure)
    assert "fitted line" not in written(figure)


def test_without_ceiling():
    assert "best possible" not in written(plotted(ceiling=None))


# --- by law ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_readable(size):
    figure = finished(size)
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(SIZES[size].width_mm)
    assert_readable(figure, least_pt=18 if size == "slide" else 8)


# --- by failure ------------------------------------------------------------------------------------

BAD = [
    ({"points": scores().drop(columns="score")}, r"points, score: found no such column"),
    ({"points": scores().head(0)}, r"points: found 0 rows"),
    ({"points": scores().assign(score=np.nan)}, r"found no hip with both values"),
    ({"points": pd.concat([scores(), scores().head(1)])}, r"hip_id: found 'P00_left' \(2 rows\)"),
    ({"ceiling": 40.0}, r"points, score: found 48\.0 .* Expected at most the ceiling, 40"),
    ({"line": fit().drop(columns="ci_low")}, r"fit, ci_low: found no such column"),
    ({"line": fit().assign(estimate=np.nan)}, r"fit: found no value \(20 rows\)"),
    ({"line": fit().assign(ci_low=99.0)}, r"fit, ci_low: found a bound above ci_high \(20 rows\)"),
    ({"row": estimate().assign(n_hips=12)}, r"estimate, n_hips: found 12\.0\. Expected 35, as are drawn"),
    ({"row": estimate().head(0)}, r"estimate: found 0 rows\. Expected exactly 1 row"),
]


@pytest.mark.parametrize(("change", "message"), BAD)
def test_refused(change, message):
    with pytest.raises(StudyError, match=message):
        plotted(**change)
