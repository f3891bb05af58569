"""Zones 1 and 7 of one length about stems of different length."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.zones import femoral_zones, zone_of
from cohortlib.tables import ZONE_SYSTEMS


def zones(length, *, side="left", **options):
    return femoral_zones([(0, 0), (0, -length)], side=side, **options)


def area(zone):
    x, y = zone.polygon_mm.T
    return abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


# by hand


def test_thirty_millimetres_of_a_long_and_a_short_stem():
    places = [(8, -29), (8, -31), (-8, -29), (-8, -31)]
    for length in (80, 160):
        assert zone_of(zones(length, proximal_mm=30), places).tolist() == ["1", "2", "7", "6"]


def test_the_rest_is_cut_evenly():
    # 160 mm: the tip takes 20, zones 1 and 7 take 40, and 100 are left for two.
    found = zone_of(zones(160, proximal_mm=40), [(8, -89), (8, -91), (8, -139), (8, -141)])
    assert found.tolist() == ["2", "3", "3", "4"]


# by reference: ten Broeke 2012 (from memory): zones in proportion compare unlike regions of unlike stems


def test_in_proportion_the_proximal_zones_differ_and_by_length_they_do_not():
    short, long = zones(80), zones(160)
    assert area(long[0]) == pytest.approx(2 * area(short[0]))
    short, long = zones(80, proximal_mm=25), zones(160, proximal_mm=25)
    for place in (0, 6):
        assert area(long[place]) == pytest.approx(area(short[place]))
    assert tuple(zone.name for zone in long) == ZONE_SYSTEMS["stem_7"].names


# by law


@given(st.floats(70, 200), st.floats(0.01, 19.9), st.floats(-19.9, -1))
@settings(max_examples=30, deadline=None)
def test_a_third_of_the_side_is_what_no_length_gives(length, x, y):
    plain, stated = zones(length), zones(length, proximal_mm=length * 7 / 8 / 3)
    for one, other in zip(plain, stated, strict=True):
        np.testing.assert_allclose(one.polygon_mm, other.polygon_mm, atol=1e-6)
    places = np.array([(x, y), (-x, y)])  # not on the axis, which is the border of both sides
    assert zone_of(zones(length, proximal_mm=20), places).tolist() == ["1", "7"]
    assert zone_of(zones(length, side="right", proximal_mm=20), places * [-1, 1]).tolist() == ["1", "7"]


# by recovery


def test_bone_put_into_the_first_30_mm_is_found_there_about_any_stem():
    rng = np.random.default_rng(71)
    places = np.column_stack([rng.uniform(0.5, 15, 300), rng.uniform(-29.5, -0.5, 300)])
    for length in (75, 110, 170):
        assert set(zone_of(zones(length, proximal_mm=30), places)) == {"1"}


# by failure


@pytest.mark.parametrize("length", [0.0, -3.0, 70.0, 90.0, np.nan])
def test_a_length_without_room_is_refused(length):
    with pytest.raises(StudyError, match="Give a length that the shortest stem"):
        zones(80, proximal_mm=length)
