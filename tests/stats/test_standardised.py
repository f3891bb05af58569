import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from cohortlib.stats.standardised import (
    categorical_difference,
    difference_interval,
    standardised_difference,
)

TABLEONE = (
    "R package tableone, printed example: Mayo Clinic trial of primary biliary cirrhosis (pbc), trt 1 | 2"
)


def zeros_and_ones(count, n):
    return np.repeat([1.0, 0.0], [count, n - count])


# by hand --------------------------------------------------------------------------------------------------


def test_two_small_groups():
    # Means 2 and 5; variances 1 and 4: 3 / √2.5.
    assert standardised_difference([1, 2, 3], [3, 5, 7]) == pytest.approx(-3 / np.sqrt(2.5))


def test_shares():
    # 0.5 against 0.2: 0.3 / √((0.25 + 0.16)/2).
    expected = 0.3 / np.sqrt(0.205)
    assert standardised_difference(zeros_and_ones(5, 10), zeros_and_ones(2, 10)) == pytest.approx(expected)
    assert categorical_difference([5, 5], [2, 8]) == pytest.approx(expected)


@pytest.mark.parametrize(("one", "other"), [([1.0], [1.0, 2.0]), ([2.0, 2.0], [2.0, 2.0]), ([], [1.0, 2.0])])
def test_nothing_to_compare_gives_no_number(one, other):
    assert np.isnan(standardised_difference(np.asarray(one), np.asarray(other)))


def test_categories_without_overlap_or_choice_give_no_number():
    assert np.isnan(categorical_difference([5, 0], [0, 5]))
    assert np.isnan(categorical_difference([5, 0], [7, 0]))
    assert np.isnan(categorical_difference([0, 0], [7, 1]))


# by reference ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("counts", "others", "value"),
    [
        ((83, 10, 65), (85, 9, 60), 0.054),  # status. TABLEONE
        ((137, 21), (139, 15), 0.111),  # sex. TABLEONE
        ((132, 16, 10), (131, 13, 10), 0.058),  # oedema. TABLEONE
    ],
)
def test_categories_of_a_published_table(counts, others, value):
    assert categorical_difference(counts, others) == pytest.approx(value, abs=6e-4), TABLEONE


@pytest.mark.parametrize(
    ("mean", "sd", "n", "other_mean", "other_sd", "other_n", "value"),
    [
        (51.42, 11.01, 158, 48.58, 9.96, 154, 0.270),  # age. TABLEONE
        (2015.62, 1094.12, 158, 1996.86, 1155.93, 154, 0.017),  # time. TABLEONE
        (2.87, 3.63, 158, 3.65, 5.28, 154, -0.171),  # bilirubin (printed without sign). TABLEONE
    ],
)
def test_numbers_of_a_published_table(mean, sd, n, other_mean, other_sd, other_n, value):
    """Any numbers with the printed mean and standard deviation have the printed difference."""
    one, other = (
        at + width * stats.zscore(np.arange(count, dtype=float), ddof=1)
        for at, width, count in ((mean, sd, n), (other_mean, other_sd, other_n))
    )
    rounding = 0.01 / np.sqrt((sd**2 + other_sd**2) / 2)  # of the printed means
    assert standardised_difference(one, other) == pytest.approx(value, abs=5e-4 + rounding), TABLEONE


# by law ---------------------------------------------------------------------------------------------------

spread = st.lists(st.integers(-50, 50), min_size=3, max_size=12).filter(lambda values: len(set(values)) > 2)


@settings(max_examples=30, deadline=None)
@given(spread, spread, st.integers(1, 9), st.integers(-100, 100))
def test_unit_and_zero_do_not_matter_and_exchange_turns_the_sign(one, other, factor, zero):
    a, b = np.array(one, dtype=float), np.array(other, dtype=float)
    value = standardised_difference(a, b)
    assert standardised_difference(zero + factor * a, zero + factor * b) == pytest.approx(value)
    assert standardised_difference(b, a) == pytest.approx(-value)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.integers(1, 30), min_size=3, max_size=3), st.lists(st.integers(1, 30), min_size=3, max_size=3)
)
def test_order_of_categories_and_groups_does_not_matter(one, other):
    value = categorical_difference(one, other)
    assert categorical_difference(one[::-1], other[::-1]) == pytest.approx(value, abs=1e-9)
    assert categorical_difference(other, one) == pytest.approx(value, abs=1e-9)
    assert value >= 0


def test_hips_fully_alike_count_once():
    rng = np.random.default_rng(1)
    values, group = rng.normal(size=40), np.arange(40) < 20
    alone = difference_interval(values, group, np.arange(40))
    twice = difference_interval(np.repeat(values, 2), np.repeat(group, 2), np.repeat(np.arange(40), 2))
    assert np.ptp(twice) == pytest.approx(np.ptp(alone), rel=0.05)
    naive = difference_interval(np.repeat(values, 2), np.repeat(group, 2), np.arange(80))
    assert np.ptp(twice) > 1.3 * np.ptp(naive)


# by recovery ----------------------------------------------------------------------------------------------


def test_the_true_difference_is_held_in_95_of_100_cohorts():
    rng, held, truth = np.random.default_rng(4), 0, 0.6
    for _ in range(300):
        hips = 1 + (rng.random(40) < 0.3)
        owner = np.repeat(np.arange(40), hips)
        group = (np.arange(40) < 22)[owner]
        alike = np.sqrt(0.6) * rng.normal(size=40)[owner] + np.sqrt(0.4) * rng.normal(size=len(owner))
        low, high = difference_interval(10 + 3 * (truth * group + alike), group, owner)
        held += low <= truth <= high
    assert 0.92 <= held / 300 <= 0.98


# by failure: few data give no number ----------------------------------------------------------------------


@pytest.mark.parametrize("group", [[True, True, False, False, False], [True] * 5])
def test_too_few_patients_give_no_interval(group):
    assert np.isnan(difference_interval([1, 2, 3, 4, 5], group, list("abcde"))).all()


@pytest.mark.parametrize("values", [[1, 1, 1, 0, 1, 0, 0], [2, 2, 2, 2, 2, 2, 2]])
def test_a_group_that_is_all_alike_gives_no_interval(values):
    assert np.isnan(difference_interval(values, [True] * 3 + [False] * 4, list("abcdefg"))).all()
