import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.stats.small_cells import hidden_cells, without_small_counts

TOTAL_AND_PARTS = np.vstack([np.ones(3), np.eye(3)])


# by hand --------------------------------------------------------------------------------------------------


def test_a_small_count_takes_the_next_smallest_with_it():
    assert hidden_cells([20, 12, 6, 2], TOTAL_AND_PARTS, least=5).tolist() == [False, False, True, True]


def test_two_small_counts_protect_each_other():
    assert hidden_cells([20, 14, 3, 3], TOTAL_AND_PARTS, least=5).tolist() == [False, False, True, True]


def test_large_counts_and_zeros_are_shown():
    assert not hidden_cells([18, 12, 6, 0], TOTAL_AND_PARTS, least=5).any()
    # A zero cannot protect: the total or the other part goes.
    assert hidden_cells([14, 12, 2, 0], TOTAL_AND_PARTS, least=5).tolist() == [False, True, True, False]


def test_what_stands_elsewhere_too_is_hidden_last():
    counts, sums = [9, 2, 7], [[1, 1], [1, 0], [0, 1]]
    assert hidden_cells(counts, sums, least=5).tolist() == [False, True, True]
    assert hidden_cells(counts, sums, least=5, later=[0, 0, 1]).tolist() == [True, True, False]


def test_a_count_without_relation_goes_alone():
    assert hidden_cells([3, 9], np.eye(2), least=5).tolist() == [True, False]


def test_a_table_loses_the_percentage_with_its_count():
    table = pd.DataFrame(
        {"n": [20, 30], "came": [18, 20], "missed": [2, 10], "percent": [90.0, 66.7], "note": ""}
    )
    found = without_small_counts(
        table,
        sums={"n": ["came", "missed"], "came": ["came"], "missed": ["missed"]},
        shares={"percent": ("came", "n")},
        known=["n"],
        least=5,
    )
    assert found["came"].tolist() == [pd.NA, 20]
    assert found["percent"].isna().tolist() == [True, False]
    assert found["note"].tolist() == [
        "counts below 5, and those that would give them away, are not shown",
        "",
    ]


# by law ---------------------------------------------------------------------------------------------------

crossed = st.lists(st.lists(st.integers(0, 12), min_size=2, max_size=3), min_size=2, max_size=3).filter(
    lambda rows: len({len(row) for row in rows}) == 1
)


@settings(max_examples=60, deadline=None)
@given(crossed)
def test_no_small_count_of_a_crossed_table_follows_from_what_is_shown(rows):
    """Rows, columns and totals: a hidden small count could always be another whole number, or half of one."""
    inner = np.array(rows)
    n, m = inner.shape
    cells = np.eye(n * m)
    sums = np.vstack(
        [
            cells,
            *[cells.reshape(n, m, -1)[row].sum(axis=0) for row in range(n)],
            *[cells.reshape(n, m, -1)[:, column].sum(axis=0) for column in range(m)],
            cells.sum(axis=0),
        ]
    )
    counts = (sums @ inner.ravel()).astype(int)
    hidden = hidden_cells(counts, sums, least=5)
    assert hidden[(counts > 0) & (counts < 5)].all()
    assert not hidden[counts == 0].any()
    shown = sums[~hidden]
    for cell in np.flatnonzero((counts > 0) & (counts < 5)):
        # Another table with the same shown counts and another value in this cell.
        _, sizes, directions = np.linalg.svd(shown)
        free = directions[np.append(sizes, np.zeros(len(directions) - len(sizes))) < 1e-9]
        assert np.abs(free @ sums[cell]).max() > 1e-9


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 30), min_size=3, max_size=3), st.integers(1, 10))
def test_order_of_cells_decides_only_between_equals(parts, least):
    counts = np.array([sum(parts), *parts])
    hidden = hidden_cells(counts, TOTAL_AND_PARTS, least=least)
    for order in itertools.permutations(range(4)):
        other = hidden_cells(counts[list(order)], TOTAL_AND_PARTS[list(order)], least=least)
        assert sorted(counts[list(order)][other]) == sorted(counts[hidden])


# by failure -----------------------------------------------------------------------------------------------


def test_a_limit_that_is_none():
    with pytest.raises(StudyError, match=r"suppress_below: found 0\. Expected the smallest count"):
        hidden_cells([1], [[1]], least=0)
