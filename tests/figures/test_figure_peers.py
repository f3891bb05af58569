import pandas as pd
import pytest

from cohortlib.errors import StudyError
from cohortlib.figures.peers import plot_change_beside_peers
from cohortlib.figures.style import SIZES

HOW = {
    "kind": ["arm"],
    "visits": {"discharge": "0", "month_6": "6", "month_12": "12"},
    "y_label": "Change of bone density",
    "y_unit": "%",
}


def compared():
    rows = [
        (
            f"H{hip}",
            f"P{hip}",
            ("a", "b")[hip % 2],
            zone,
            visit,
            number,
            -5.0 * hip - number,
            -9.0,
            -30.0,
            12.0,
        )
        for hip in range(6)
        for zone in "17"
        for visit in ("month_12", "month_6")
        for number in (1, 2)
    ]
    columns = ["hip_id", "patient_id", "arm", "zone", "visit_id", "n_visits"]
    return pd.DataFrame(rows, columns=[*columns, "value", "expected", "expected_low", "expected_high"])


CHOSEN = pd.DataFrame(
    {"hip_id": ["H4", "H1"], "arm": ["a", "b"], "zone": ["7", "1"], "heading": ["H4, zone 7", "H1, zone 1"]}
)


# by hand --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_a_panel_a_hip_with_its_band_and_the_hips_of_its_kind(size):
    figure = plot_change_beside_peers(compared(), CHOSEN, **HOW, size=size)
    panels = [axes for axes in figure.axes if axes.get_title(loc="left")]
    assert [axes.get_title(loc="left") for axes in panels] == ["H4, zone 7", "H1, zone 1"]
    for axes, value in zip(panels, (-21.0, -6.0), strict=True):
        assert len([line for line in axes.lines if line.get_alpha() == 0.4]) == 2
        own = [line for line in axes.lines if line.get_marker() not in ("None", None, "")]
        assert [line.get_ydata().tolist() for line in own] == [[0.0, value, value]]
        assert own[0].get_xdata().tolist() == [0, 1, 2]
        band = axes.collections[0].get_paths()[0].get_extents()
        assert (band.y0, band.y1) == (-30.0, 12.0)
    assert "6 patients, 6 hips" in figure.get_supxlabel().replace("\xa0", " ")


# by failure -----------------------------------------------------------------------------------------------


def test_tables_that_lack_a_column_or_a_row_are_refused():
    with pytest.raises(StudyError, match="heading"):
        plot_change_beside_peers(compared(), CHOSEN.drop(columns="heading"), **HOW)
    with pytest.raises(StudyError, match="at least one row"):
        plot_change_beside_peers(compared(), CHOSEN.iloc[:0], **HOW)
    with pytest.raises(StudyError, match="expected_low"):
        plot_change_beside_peers(compared().drop(columns="expected_low"), CHOSEN, **HOW)
