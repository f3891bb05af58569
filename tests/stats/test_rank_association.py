import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from cohortlib.errors import StudyError
from cohortlib.stats.rank_association import RANK_COLUMNS, _rank_correlation, rank_association

OPTIONS = {
    "outcome": "score",
    "exposure": "inclination",
    "cluster": "patient_id",
    "outcome_range": (0, 48),
    "primary": True,
    "seed": 1,
}


def hips(inclination, score, patients=None):
    table = pd.DataFrame({"inclination": inclination, "score": score})
    table["patient_id"] = range(len(table)) if patients is None else list(patients)
    return table.assign(hip_id=range(len(table)))


def ranked(table, **options):
    return rank_association(table, **{**OPTIONS, **options}).iloc[0]


# by hand --------------------------------------------------------------------------------------------------


def test_one_exchange_among_five():
    # Ranks 1 2 3 4 5 against 5 4 3 1 2: Σd² = 16 + 4 + 0 + 9 + 9 = 38, 1 − 6·38/120 = −0.9.
    row = ranked(hips([30, 35, 40, 45, 50], [48, 44, 40, 30, 35]))
    assert row["estimate"] == pytest.approx(-0.9)
    assert (row["n_patients"], row["n_hips"]) == (5, 5)


def test_floor_and_ceiling_count_patients_not_hips():
    table = hips([30, 31, 40, 45, 50], [48, 48, 40, 0, 35], list("aabcd"))
    row = ranked(table)
    assert (row["floor_share"], row["ceiling_share"]) == (0.25, 0.25)
    assert "25% of patients at the ceiling" in row["note"]
    assert row["n_two_hips"] == 1


def test_without_ceiling_nothing_is_said():
    assert "ceiling" not in ranked(hips([30, 35, 40, 45], [47, 44, 40, 30]))["note"]


@pytest.mark.parametrize("table", [hips([30, 40], [1, 2]), hips([30, 40, 50], [48, 48, 48]), hips([], [])])
def test_too_few_or_flat_give_no_number(table):
    row = ranked(table)
    assert np.isnan(row["estimate"])
    assert "no estimate" in row["note"]


def test_hips_without_a_value_are_counted():
    row = ranked(hips([30, 35, 40, 45, np.nan], [48, 44, np.nan, 30, 35]))
    assert (row["n_hips"], row["n_missing"]) == (3, 2)


# by reference ---------------------------------------------------------------------------------------------

drawn = st.lists(
    st.tuples(st.integers(0, 6), st.integers(0, 6), st.integers(0, 3)), min_size=4, max_size=12
).filter(lambda rows: min(len({row[side] for row in rows if row[2]}) for side in (0, 1)) > 1)


@settings(max_examples=60, deadline=None)
@given(drawn)
def test_weighted_ranks_against_scipy_on_the_repeated_rows(rows):
    first, second, times = np.array(rows).T
    expected = stats.spearmanr(np.repeat(first, times), np.repeat(second, times)).statistic
    found = _rank_correlation(first.astype(float), second.astype(float), times[None, :].astype(float))
    assert found[0] == pytest.approx(expected)


# by law ---------------------------------------------------------------------------------------------------


@settings(max_examples=10, deadline=None)
@given(st.randoms(use_true_random=False))
def test_rising_transformations_and_order_do_not_matter(random):
    rng = np.random.default_rng(3)
    table = hips(rng.normal(42, 6, size=30), rng.integers(20, 49, size=30), np.repeat(range(20), [1, 2] * 10))
    other = table.assign(inclination=np.exp(table["inclination"] / 10))
    one, two = ranked(table), ranked(other.sample(frac=1, random_state=random.randrange(1000)))
    for column in ("estimate", "ci_low", "ci_high"):
        assert two[column] == pytest.approx(one[column])


def test_columns_are_those_of_an_estimate():
    table = hips([30, 35, 40, 45], [47, 44, 40, 30])
    assert tuple(rank_association(table, **OPTIONS).columns) == RANK_COLUMNS


# by recovery ----------------------------------------------------------------------------------------------


def test_known_rank_correlation_is_found_again_and_twins_add_no_certainty():
    rng = np.random.default_rng(4)
    exposure = rng.normal(size=50)
    score = 24 + 4 * (-0.6 * exposure + 0.8 * rng.normal(size=50))
    one = hips(exposure, score)
    both = pd.concat([one, one.assign(hip_id=one["hip_id"] + 1000)], ignore_index=True)
    truth = 6 / np.pi * np.arcsin(-0.6 / 2)  # of two normal variables correlated −0.6
    for table in (one, both):
        row = ranked(table)
        assert row["ci_low"] < truth < row["ci_high"]
        # Standard error of Fisher's z of ranks is about 1.03/sqrt(n − 3) (Fieller 1957): n counts patients.
        width = np.arctanh(row["ci_high"]) - np.arctanh(row["ci_low"])
        assert width == pytest.approx(2 * 1.96 * 1.03 / np.sqrt(47), rel=0.2)


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"outcome": "pain"}, "pain: found no such column"),
        ({"hip_id": 1}, {}, "Keep one visit and one reading of each hip"),
        ({"score": 49}, {}, "score: found 49.0 .4 rows.. Expected a score from 0 to 48"),
        ({"inclination": "steep"}, {}, "inclination: found 'steep'"),
        ({"patient_id": None}, {}, "patient_id: found no value"),
    ],
)
def test_wrong_input(change, options, match):
    table = hips([30, 35, 40, 45], [47, 44, 40, 30]).assign(**change)
    with pytest.raises(StudyError, match=match):
        rank_association(table, **{**OPTIONS, **options})
