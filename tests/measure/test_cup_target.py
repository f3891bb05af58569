import doctest

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.cup import target as module
from cohortlib.measure.cup.target import distance_from_target

TARGET = {"target_inclination_deg": 40.0, "target_anteversion_deg": 15.0}


def cups(inclination, anteversion, inclination_sd=1.0, anteversion_sd=1.0):
    return pd.DataFrame(
        {
            "inclination": inclination,
            "inclination_sd": inclination_sd,
            "anteversion": anteversion,
            "anteversion_sd": anteversion_sd,
        }
    )


# by hand --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("inclination", "anteversion", "distance", "sd"),
    [
        (43, 19, 5, np.sqrt(0.36 * 1 + 0.64 * 4)),
        (50, 15, 10, 1),  # away in inclination alone: its error alone
        (40, 5, 10, 2),
        (40, 15, 0, np.sqrt((1 + 4) / 2)),
    ],
)
def test_distance_and_its_error(inclination, anteversion, distance, sd):
    found = distance_from_target(cups([inclination], [anteversion], 1.0, 2.0), **TARGET).iloc[0]
    assert found.tolist() == pytest.approx([distance, sd])


def test_rows_keep_their_index_and_missing_stays_missing():
    table = cups([43.0, np.nan, 40.0], [19.0, 15.0, np.nan]).set_index(pd.Index(["a", "b", "c"]))
    found = distance_from_target(table, **TARGET)
    assert found.index.tolist() == ["a", "b", "c"]
    assert found["distance"].isna().tolist() == [False, True, True]
    assert found["distance_sd"].isna().tolist() == [False, True, True]


# by reference ---------------------------------------------------------------------------------------------


def test_example():
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0


# by law ---------------------------------------------------------------------------------------------------

angles = st.floats(0, 80)


@settings(max_examples=50, deadline=None)
@given(angles, angles, angles, angles)
def test_the_same_from_either_end_and_on_either_side(i, v, target_i, target_v):
    there = distance_from_target(
        cups([i], [v]), target_inclination_deg=target_i, target_anteversion_deg=target_v
    )
    back = distance_from_target(
        cups([target_i], [target_v]), target_inclination_deg=i, target_anteversion_deg=v
    )
    assert there["distance"].iloc[0] == pytest.approx(back["distance"].iloc[0])
    assert there["distance"].iloc[0] <= abs(i - target_i) + abs(v - target_v) + 1e-9


# by recovery ----------------------------------------------------------------------------------------------


def test_error_put_in_is_the_error_found():
    rng = np.random.default_rng(40)
    noisy = cups(rng.normal(46, 0.5, 20000), rng.normal(23, 1.5, 20000), 0.5, 1.5)
    found = distance_from_target(noisy, **TARGET)
    exact = distance_from_target(cups([46], [23], 0.5, 1.5), **TARGET).iloc[0]
    assert found["distance"].std() == pytest.approx(exact["distance_sd"], rel=0.02)
    assert found["distance"].mean() == pytest.approx(exact["distance"], rel=0.01)


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "target", "match"),
    [
        (cups([40], [15]).drop(columns="anteversion_sd"), {}, "cups, anteversion_sd: found no such column"),
        (cups([40], [15]), {"target_inclination_deg": 140.0}, r"target_inclination_deg: found 140\.0"),
        (cups([40], [15]), {"target_anteversion_deg": float("nan")}, "target_anteversion_deg: found nan"),
    ],
)
def test_wrong_input(table, target, match):
    with pytest.raises(StudyError, match=match):
        distance_from_target(table, **{**TARGET, **target})
