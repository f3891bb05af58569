import numpy as np
import pandas as pd
import pytest

from cohortlib.errors import StudyError
from cohortlib.figures.change import plot_change_over_visits
from cohortlib.figures.precision import plot_precision
from cohortlib.figures.style import SIZES

VISITS = {"discharge": "0", "month_6": "6", "month_12": "12"}
HOW = {"visits": VISITS, "y_label": "Change of bone density", "y_unit": "g/cm2"}


def changes():
    rows = [
        (f"H{hip}", f"P{hip}", visit, zone, ("a", "b")[hip % 2], -0.01 * hip - 0.05 * (zone == "7"))
        for hip in range(6)
        for visit in ("month_12", "month_6")
        for zone in "17"
    ]
    columns = ["hip_id", "patient_id", "visit_id", "zone", "arm", "change"]
    return pd.DataFrame(rows, columns=columns)


def means():
    found = changes().groupby(["visit_id", "zone", "arm"])["change"].mean().rename("estimate").reset_index()
    return found.assign(ci_low=found["estimate"] - 0.01, ci_high=found["estimate"] + 0.01)


LIMITS = pd.DataFrame({"zone": ["1", "7"], "lsc": [0.1, 0.2]})
PRECISION = pd.DataFrame(
    {
        "zone": ["1", "7"],
        "rms_sd": [0.04, 0.06],
        "ci_low": [0.03, 0.05],
        "ci_high": [0.06, 0.08],
        "df": [30.0, 30.0],
        "rms_cv_percent": [4.0, 6.0],
    }
)


# by hand --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_a_panel_a_zone_with_its_band_and_a_line_a_hip(size):
    figure = plot_change_over_visits(changes(), means(), LIMITS, **HOW, size=size)
    panels = [axes for axes in figure.axes if axes.get_title(loc="left")]
    assert [axes.get_title(loc="left") for axes in panels] == ["Zone 1", "Zone 7"]
    for axes, limit in zip(panels, LIMITS["lsc"], strict=True):
        band = axes.patches[0].get_extents().transformed(axes.transData.inverted())
        assert (band.y0, band.y1) == pytest.approx((-limit, limit))
        hips = [line for line in axes.lines if line.get_alpha() == 0.28]
        assert len(hips) == 6
        assert all(line.get_xdata().tolist() == [0, 1, 2] and line.get_ydata()[0] == 0 for line in hips)
    assert "6 patients, 6 hips" in figure.get_supxlabel().replace("\xa0", " ")
    assert figure.get_supylabel() == "Change of bone density (g/cm²)"


def test_means_follow_the_visits_whatever_the_order_of_rows():
    figure = plot_change_over_visits(changes(), means(), **HOW)
    for axes in figure.axes[:2]:
        for container in axes.containers:
            assert np.all(np.diff(container.lines[0].get_xdata()) > 0)


@pytest.mark.parametrize("size", SIZES)
def test_precision_errors_stand_in_their_rows(size):
    figure = plot_precision(PRECISION, unit="g/cm2", size=size)
    axes = figure.axes[0]
    assert [label.get_text() for label in axes.get_yticklabels()] == ["Zone 1", "Zone 7"]
    assert axes.containers[0].lines[0].get_xdata().tolist() == [0.04, 0.06]
    assert {"30", "4.0 %", "6.0 %", "df", "CV"} <= {text.get_text() for text in axes.texts}


# by law ---------------------------------------------------------------------------------------------------


def test_rows_without_a_value_change_nothing():
    further = changes().assign(change=np.nan, hip_id="H99")
    one, other = (
        plot_change_over_visits(table, means(), **HOW)
        for table in (changes(), pd.concat([changes(), further]))
    )
    assert [len(axes.lines) for axes in one.axes] == [len(axes.lines) for axes in other.axes]


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"visit_id": "month_9"}, "visit_id: found 'month_9'"),
        ({"change": np.nan}, "at least one hip that can be compared"),
        ({"change": "less"}, "change: found"),
    ],
)
def test_changes_refused_in_words(change, match):
    with pytest.raises(StudyError, match=match):
        plot_change_over_visits(changes().assign(**change), means(), **HOW)


@pytest.mark.parametrize(
    ("change", "match"),
    [({"zone": "1"}, "Choose one zone system"), ({"rms_sd": np.nan}, "Scan some hips twice")],
)
def test_precision_refused_in_words(change, match):
    with pytest.raises(StudyError, match=match):
        plot_precision(PRECISION.assign(**change), unit="g/cm2")
