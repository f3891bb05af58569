"""Radiolucent lines along a fitted cup: the outline, its zones, and the rows that come of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.measure import cup_lines
from cohortlib.measure.cup.model import CupModel
from cohortlib.measure.cup_lines import cup_line_rows, cup_zones, dome_outline, measured_lines
from cohortlib.measure.scale import FilmScale
from cohortlib.measure.zones import zone_of
from cohortlib.tables import MEASUREMENT_COLUMNS

SCALE = FilmScale(0.26, 0.26, 0.01, "head")


def cup(sign=1.0, inclination=40.0, anteversion=15.0, setback=1.0):
    return CupModel(0.0, 0.0, 27.0, inclination, anteversion, setback, 0.0, sign, None)


class FitStandIn:
    """A trusted fit as far as its lines go."""

    def __init__(self, model):
        film = Radiograph(np.zeros((4, 4), dtype=np.float32), (0.3, 0.3), "detector")
        self.film = type("Film", (), {"radiograph": film, "mm_per_px": (0.3, 0.3)})
        self.best = type("Best", (), {"model": model})
        self.reading = type("Reading", (), {"side": "left"})


@pytest.fixture
def given_lines(monkeypatch):
    """Lines as if measured: none, 1.5 mm on the film over half of a zone, not assessable."""
    table = pd.DataFrame(
        [
            ["1", np.nan, np.nan, 0.0, "", ""],
            ["2", 1.5, 0.15, 50.0, "profiles across the interface, slit", ""],
            ["3", np.nan, np.nan, np.nan, "", "noise"],
        ],
        columns=["zone", "width_mm", "sd", "extent_percent", "method", "note"],
    )
    monkeypatch.setattr(cup_lines, "radiolucent_lines", lambda *_: table)
    monkeypatch.setattr(cup_lines, "fit_refusal", lambda _: "")


def as_table(rows):
    ids = ["H1", "P1", "week_6", "I1", "R1", 1]
    return pd.DataFrame([[*ids, *row] for row in rows], columns=list(MEASUREMENT_COLUMNS))


# by hand


@pytest.mark.parametrize(("sign", "side"), [(1.0, "left"), (-1.0, "right")])
def test_the_outline_runs_from_lateral_over_the_dome_to_medial(sign, side):
    outline = dome_outline(cup(sign))
    first, middle, last = outline[0], outline[len(outline) // 2], outline[-1]
    assert first[0] * sign > 15, "lateral"
    assert last[0] * sign < -15, "medial"
    assert middle[1] > 18, "over the dome, up and medial"
    assert middle[0] * sign < -15
    steps = np.linalg.norm(np.diff(outline, axis=0), axis=1)
    assert steps.max() < 2 * np.median(steps), "without a jump"


def test_a_line_is_given_in_millimetres_of_the_patient(given_lines):
    rows = cup_line_rows(FitStandIn(cup()), scale=SCALE)
    table = as_table(rows).set_index(["quantity", "zone"])
    assert len(table) == 4, "three extents, one width"
    width = table.loc[("line_width_cup_3", "2")]
    assert width["value"] == pytest.approx(1.5 * 0.26 / 0.3)
    assert width["sd"] == pytest.approx(np.hypot(0.13, 0.013))
    assert "scale: head" in width["method"]
    assert table.loc[("line_extent_cup_3", "1"), "value"] == 0.0
    lost = table.loc[("line_extent_cup_3", "3")]
    assert np.isnan(lost["value"])
    assert lost["note"] == "noise"


def test_without_a_scale_there_is_an_extent_and_no_width(given_lines):
    table = as_table(cup_line_rows(FitStandIn(cup()), scale=None)).set_index(["quantity", "zone"])
    assert table.loc[("line_extent_cup_3", "2"), "value"] == 50.0
    assert np.isnan(table.loc[("line_width_cup_3", "2"), "value"])
    assert table.loc[("line_width_cup_3", "2"), "note"].startswith("no scale")


def test_rows_become_states_as_readers_name_them(given_lines):
    found = measured_lines(as_table(cup_line_rows(FitStandIn(cup()), scale=SCALE)))
    assert found["zone"].tolist() == ["1", "2", "3"]
    assert found["state"].tolist() == ["none", "incomplete", "not assessable"]
    assert found["width_mm"].notna().tolist() == [False, True, False]
    assert set(found["zone_system"]) == {"cup_3"}


def test_a_cup_that_is_not_trusted_has_no_lines(monkeypatch):
    monkeypatch.setattr(cup_lines, "fit_refusal", lambda _: "only 2 mm of the rim are seen")
    found = measured_lines(as_table(cup_line_rows(FitStandIn(cup()), scale=SCALE)))
    assert set(found["state"]) == {"not assessable"}
    assert found["note"].str.contains("only 2 mm of the rim").all()


# by law


@given(st.floats(25, 60), st.floats(2, 30), st.floats(0, 3), st.sampled_from([1.0, -1.0]))
def test_every_place_of_the_outline_lies_in_one_zone_in_their_order(inclination, anteversion, setback, sign):
    model = cup(sign, inclination, anteversion, setback)
    outline = dome_outline(model)
    zones = zone_of(cup_zones(model, side="left" if sign > 0 else "right"), outline[2:-2])
    assert set(zones) == {"1", "2", "3"}
    assert sorted(zones) == list(zones), "1 laterally, 3 medially"


@given(st.floats(25, 60), st.floats(2, 30))
def test_the_other_side_is_the_mirror_image(inclination, anteversion):
    left, right = (dome_outline(cup(sign, inclination, anteversion)) for sign in (1.0, -1.0))
    count = min(len(left), len(right))
    assert abs(len(left) - len(right)) <= 1
    np.testing.assert_allclose(left[:count], right[:count] * [-1, 1], atol=1.0)


# by failure


def test_a_table_without_its_columns_is_refused():
    with pytest.raises(StudyError, match="note: found no such column"):
        measured_lines(as_table([]).drop(columns="note"))
